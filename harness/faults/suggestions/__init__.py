"""What would help: checks to add, fewer steps, plugs to design, points to probe."""
