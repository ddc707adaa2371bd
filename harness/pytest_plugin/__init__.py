"""What pytest gets from here: options and fixtures, for a builder's own tests on a bench."""
