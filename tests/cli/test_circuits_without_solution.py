"""A unit whose circuit has no solution, or a port that floats: every command that needs it says so."""

from pathlib import Path

import pytest

from tests.cli.commands import switchwalk
from tests.jobs import with_checks_of

SWITCHER = Path(__file__).resolve().parents[2] / "sequences" / "two_loop_switcher"
AMPLIFIER = (
    '\n[[amplifier]]\nnames = {{ left = "{0}", right = "{1}" }}\nfrom = "{2}"\nto = "{3}"\ngain = "{4} dB"\n'
)
TEN_KILOHM = 'input_impedance = "10 kohm"\noutput_impedance = "10 kohm"\n'
# Three equal impedances meet at `ring`, so a third of what comes back is left there, and half of that at
# `back`: with a gain of six (15.563 dB) around the loop, the equations hold for any volts at all. By hand.
RING = "".join(
    AMPLIFIER.format(*row) + TEN_KILOHM
    for row in (
        ("U1", "U11", "in", "ring", "0"),
        ("U2", "U12", "ring", "back", "0"),
        ("U3", "U13", "back", "ring", "15.563025007672873"),
    )
)
LOOSE = """
[[resistor]]
names = { left = "R1", right = "R11" }
to_ground = "monitor"
value = "10 kohm"
"""
COMMANDS = [("table",), ("plan",), ("coverage",), ("run", "--serial", "OB-1", "--simulate")]


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return with_checks_of(SWITCHER, tmp_path / "job", "gain", "supply_current")


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_amplifiers_that_feed_each_other_are_told_of_with_the_net(
    capsys: pytest.CaptureFixture[str], job: Path, command: tuple[str, ...]
) -> None:
    module = job / "module.toml"
    module.write_text(module.read_text(encoding="utf-8") + RING, encoding="utf-8")
    printed = switchwalk(capsys, command[0], str(job), *command[1:])
    assert (printed.code, printed.out) == (2, "")
    message = " ".join(printed.err.split())
    assert "the circuit has no solution: nothing settles the volts of left.ring.hot" in message
    assert "amplifiers fed back upon itself" in message
    assert list(Path.cwd().rglob("*.sqlite")) == []  # nothing half-written
    assert "Traceback" not in printed.err


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_a_port_that_nothing_drives_is_told_of_with_its_line(
    capsys: pytest.CaptureFixture[str], job: Path, command: tuple[str, ...]
) -> None:
    module = job / "module.toml"
    text = module.read_text(encoding="utf-8").replace(
        'out = "output"\n', 'out = "output"\nmonitor = "output"\n'
    )
    module.write_text(text + LOOSE, encoding="utf-8")
    printed = switchwalk(capsys, command[0], str(job), *command[1:])
    assert (printed.code, printed.out) == (2, "")
    assert "module.toml:22: ports.monitor: nothing drives left.monitor.hot" in printed.err
    assert "Traceback" not in printed.err
