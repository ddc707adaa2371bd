"""What pytest gets from here: options and fixtures, for a builder's custom tests on a bench."""
