"""A fixture's wiring, for soldering it: pins, plugs, resistors to buy, drawings."""
