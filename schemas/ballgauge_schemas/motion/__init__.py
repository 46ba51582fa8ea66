"""A ball on the lane: what is asked and what is answered."""
