"""TOML files written by hand: read into frozen dataclasses, with every mistake at its line."""
