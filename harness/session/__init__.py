"""Carries out a plan on a bench: order and safety, no arithmetic of its own."""
