"""The service: rulebooks, physics and the HTTP interface over both. This module imports nothing."""
