"""A layered design: what is asked and what is answered."""
