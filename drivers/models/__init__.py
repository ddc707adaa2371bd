"""What a profile of each kind may hold, as models."""
