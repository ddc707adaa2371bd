"""What would help: checks to add, fewer steps, points to probe."""
