"""What a job asks of its bench, and whether its instruments can do it."""
