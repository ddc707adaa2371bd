"""Commands that study a bench or a batch: gauge studies and trends."""
