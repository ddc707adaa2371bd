"""`--help` and every refusal are quick: what is heavy is imported by the command that uses it."""

import subprocess
import sys
from tempfile import TemporaryDirectory

import pytest

HEAVY = ("matplotlib", "numpy", "pydantic", "pymodbus", "pyvisa", "scipy", "sqlalchemy")


def test_the_command_line_alone_imports_nothing_heavy() -> None:
    script = f"import sys, harness.cli.app; print(*sorted(set({HEAVY!r}) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


@pytest.mark.parametrize("words", ["switchwalk ", "switchwalk --"])
def test_completing_the_name_of_a_command_imports_none(words: str) -> None:
    script = (
        "import os, sys, atexit\n"
        "os.environ |= {'_SWITCHWALK_COMPLETE': 'complete_bash', 'COMP_CWORD': '1'}\n"
        f"os.environ['COMP_WORDS'] = {words!r}\n"
        "commands = ('harness.cli.run', 'harness.cli.records')\n"
        "atexit.register(lambda: print('imported', *set(commands) & set(sys.modules)))\n"
        "from harness.cli.app import app\n"
        "app(prog_name='switchwalk')\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    *completions, imported = done.stdout.splitlines()
    assert completions
    assert imported == "imported"


def test_a_command_does_not_look_through_its_memory_before_it_ends() -> None:
    script = (
        "import atexit, gc\n"
        "atexit.register(lambda: print(gc.get_freeze_count() > 1000))\n"
        "from harness.cli.app import main\n"
        "main(['--version'])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split()[-1] == "True"


def test_pytest_loads_the_plugin_and_nothing_heavy_with_it() -> None:
    script = (
        "import sys, pytest\n"
        "class Look:\n"
        "    def pytest_sessionfinish(self, session):\n"
        "        loaded = session.config.pluginmanager.has_plugin('switchwalk')\n"
        f"        print(loaded, *sorted(set({HEAVY!r}) & set(sys.modules)))\n"
        "pytest.main(['-s', '-p', 'no:terminal', '-p', 'no:cacheprovider', '-c', '/dev/null', '--rootdir',\n"
        "             sys.argv[1], sys.argv[1]], plugins=[Look()])\n"
    )
    with TemporaryDirectory() as empty:
        done = subprocess.run(
            [sys.executable, "-c", script, empty], capture_output=True, text=True, check=True, cwd=empty
        )
    assert done.stdout.split() == ["True"]
