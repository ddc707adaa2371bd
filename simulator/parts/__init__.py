"""The parts of a unit that are more than two ends: amplifiers, inductors, transformers."""
