"""What would help: fewer steps, points to probe."""
