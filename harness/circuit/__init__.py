"""The module and its wiring as one linear circuit."""
