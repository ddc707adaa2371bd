"""Captures to readings with their uncertainty; pure functions of arrays."""
