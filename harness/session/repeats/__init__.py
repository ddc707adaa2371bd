"""What did not pass is measured a second time before it counts."""
