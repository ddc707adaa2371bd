"""Changes of state: what the contacts of each leg did, when, and what it left as a click."""
