"""The line-up: balls beside one another by where they read and what they cover, on one sheet."""
