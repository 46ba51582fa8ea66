"""Lot files in: text, CSV, NDJSON, Parquet and XLSX to columns in trade units."""
