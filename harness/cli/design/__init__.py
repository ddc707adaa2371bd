"""Commands that design a test."""
