"""Acceptance sampling by ISO 2859-1 and ISO 3951-1: plans, switching, rules on a sample."""
