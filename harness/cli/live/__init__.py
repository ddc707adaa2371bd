"""Shows a run to a person while it goes on."""
