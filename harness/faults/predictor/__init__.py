"""What fault sets would show, with the spread of parts and strays: for the diagnosis."""
