"""The command line: the only place that prints or asks."""

from harness.cli.app import main

__all__ = ["main"]
