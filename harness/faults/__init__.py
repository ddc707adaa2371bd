"""What can be wrong with a unit, which readings would show it, and what a sequence cannot see."""
