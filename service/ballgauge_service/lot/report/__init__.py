"""What leaves a lot: rows of results and the page to read."""
