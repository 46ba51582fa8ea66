"""A check or a drilling of balls: what is asked and what is answered."""
