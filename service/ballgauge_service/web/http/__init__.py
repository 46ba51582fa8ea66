"""HTTP itself: bodies, refusals, settings, logs, metrics, traces."""
