"""Columns of balls against the rules: a verdict a ball, and their totals."""
