"""Oscilloscopes: what a profile says of one, how a record is taken, read and turned into volts."""
