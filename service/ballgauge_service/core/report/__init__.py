"""Reports: what stands on them in blocks, written as a page without scripts or as paper."""
