"""`--help` and every refusal are quick: what is heavy is imported where it is used."""

import subprocess
import sys

HEAVY = ("matplotlib", "numpy", "pydantic", "pymodbus", "pyvisa", "scipy", "sqlalchemy")


def test_the_command_line_alone_imports_nothing_heavy() -> None:
    script = f"import sys, harness.cli.app; print(*sorted(set({HEAVY!r}) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
