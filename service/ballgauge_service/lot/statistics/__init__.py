"""Statistics of measured characteristics; nothing here knows a rule or a file."""
