"""Signed records: a verdict that can be carried, printed and verified later. Nothing is stored."""
