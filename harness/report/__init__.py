"""Records to pages."""
