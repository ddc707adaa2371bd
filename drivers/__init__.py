"""Instruments on a wire, spoken to in volts, hertz and seconds."""
