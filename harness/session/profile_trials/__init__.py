"""Profiles tried on the instruments that they are for: what is proven of each key, and what is not."""
