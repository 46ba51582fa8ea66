"""Acceptance sampling: ISO 2859-1 with switching, computed plans, classes of defects, rules on a sample."""
