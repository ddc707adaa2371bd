"""The records as pages: an index of units, a page a unit and a page a batch, written once or served live."""
