"""What a run was asked for, and what is recorded of that as it begins."""
