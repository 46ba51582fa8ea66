"""Signed records: what is asked and what is answered."""
