"""Options and fixtures of pytest, for a builder's custom tests on a bench."""
