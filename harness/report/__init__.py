"""Records to read: one HTML file for a run, and readings in words."""
