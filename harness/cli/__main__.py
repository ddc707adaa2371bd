"""Lets `python -m harness.cli` stand for `switchwalk`."""

from harness.cli.app import main

main()
