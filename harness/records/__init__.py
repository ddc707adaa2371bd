"""The run store."""
