"""What can be checked: a class for each quantity, and what planning, measuring and reports ask of it."""
