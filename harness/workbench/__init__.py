"""A job at a bench, real or simulated. Brings drivers and harness together; prints and asks nothing."""
