"""A bench and a module in software, reached by wire alone."""
