"""What is printed to work from."""
