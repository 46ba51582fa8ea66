"""The application and what runs it: gate, turns, bridge, workers."""
