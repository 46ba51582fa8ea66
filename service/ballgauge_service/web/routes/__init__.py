"""One short file a capability: parse, call, return."""
