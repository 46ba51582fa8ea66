"""The HTTP interface: addresses that parse, call and return; no arithmetic."""
