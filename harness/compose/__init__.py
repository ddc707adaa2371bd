"""Writes a job's fixture and sequence from its module and what is at hand: one search for what sees what."""
