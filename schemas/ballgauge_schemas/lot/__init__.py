"""A lot of balls: what is asked and what is answered."""
