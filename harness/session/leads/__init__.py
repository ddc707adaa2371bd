"""Leads of a setup: whether they are right, and what follows for readings if they may not be."""
