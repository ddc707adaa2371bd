"""Jobs for tests: a shipped unit on its own fixture and bench, with the checks that a test is about.

    job = job_in(tmp_path / "job", check_of("gain", within="0.2 dB"), states=["idle", "loop_a"])

is the folder of the two-loop switcher with that one check; `edits` change what its files say elsewhere.
"""

import json
import re
import shutil
from collections.abc import Iterable
from pathlib import Path

SHIPPED = Path(__file__).resolve().parents[1] / "sequences"
SWITCHER = SHIPPED / "two_loop_switcher"

# As they stand in TOML; a tuple or a list is a list there, a dict an inline table.
Value = str | bool | int | float | tuple["Value", ...] | list["Value"] | dict[str, "Value"]
Edit = tuple[str, str, str]  # (file, what stands there, what is to stand there instead)


def _rows(table: dict[str, Value]) -> str:
    return "".join(f"{key} = {_toml(value)}\n" for key, value in table.items())


def _toml(value: Value) -> str:
    match value:
        case dict():
            return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
        case list() | tuple():
            return "[" + ", ".join(map(_toml, value)) + "]"
        case _:
            return json.dumps(value, ensure_ascii=False)


def check_of(quantity: str, *, name: str = "", at: Iterable[str] = ("out",), **keys: Value) -> str:
    """A [[check]]; its name is the quantity's own words where none is given. at: () for the whole unit's."""
    ports = {"at": tuple(at)} if at else {}
    spoken = name or quantity.replace("_", " ").capitalize()
    return "[[check]]\n" + _rows({"name": spoken, "quantity": quantity, **ports, **keys})


ROUTE_AND_GAIN = check_of("gain", name="Route and gain", within="0.2 dB")
RELAY_CURRENT = check_of("supply_current", name="Relay current", at=(), within="8 %")


def sequence(
    *checks: str, states: Value = ("all",), level: Value = "+4 dBu", settle: Value = "20 ms", **keys: Value
) -> str:
    """The text of a sequence.toml; keys: more of [sequence]."""
    tone: Value = {"frequency": "1 kHz", "level": level}
    head = {"name": "Short", "states": states, "tone": tone, "settle": settle, **keys}
    return "\n".join(["[sequence]\n" + _rows(head), *checks])


def job_in(
    folder: Path, *checks: str, of: Path = SWITCHER, edits: Iterable[Edit] = (), **keys: Value
) -> Path:
    """Make a job's folder of another one's unit, fixture and bench, and a sequence of these checks.

    keys: as of `sequence`. Without any check the sequence is the other job's, too.
    """
    shutil.copytree(of, folder)
    if checks:
        (folder / "sequence.toml").write_text(sequence(*checks, **keys), encoding="utf-8")
    for file, before, after in edits:
        edit(folder / file, before, after)
    return folder


def edit(file: Path, before: str, after: str, *, every: bool = False) -> int:
    """Put `after` where `before` stands first, or everywhere; returns the line where it stands first."""
    text = file.read_text(encoding="utf-8")
    assert before in text, f"{file.name} has no {before!r}"
    file.write_text(text.replace(before, after, -1 if every else 1), encoding="utf-8")
    return text[: text.index(before)].count("\n") + 1


def with_checks_of(job: Path, folder: Path, *quantities: str) -> Path:
    """Copy a job and leave in its sequence only the checks of these quantities, as they stand there."""
    shutil.copytree(job, folder)
    file = folder / "sequence.toml"
    head, *checks = re.split(r"(?m)^(?=\[\[check\]\]$)", file.read_text(encoding="utf-8"))
    kept = [check for check in checks if any(f'quantity = "{name}"\n' in check for name in quantities)]
    file.write_text(head + "".join(kept), encoding="utf-8")
    return folder


# Every line on at least once, and all together: what other combinations add tells none of these apart.
TELLING_STATES = {
    "two_loop_switcher": ("idle", "loop_a", "loop_b", "swap", "loop_a+loop_b+swap", "unpowered"),
    "source_selector": (
        *("idle", "select_low", "select_high", "select_low+select_high", "mute", "dim", "unpowered"),
    ),
    "stepped_attenuator": (
        *("idle", "db_1", "db_2", "db_4", "db_8", "db_16", "db_32", "db_1+db_2+db_4+db_8+db_16+db_32"),
        "unpowered",
    ),
}


def in_states(job: Path, states: tuple[str, ...]) -> Path:
    """Cut a copy of a shipped job down to these states."""
    edit(job / "sequence.toml", 'states = ["all", "unpowered"]', f"states = {json.dumps(states)}")
    return job


INSERT_SWITCH = """
[module]
name = "Insert switch"
part = "TEST-1"
revision = "A"
channels = ["left", "right"]
[supply]
voltage = "12 V"
limit = "200 mA"
quiescent = "5 mA"
[controls]
insert = "Insert"
mute = "Mute"
[ports]
in = "input"
out = "output"
send = "send"
return = "return"
[relay_types.signal]
coil = "1028 ohm"
contact = "50 mohm"
contact_max = "100 mohm"
operate_max = "4 ms"
release_max = "4 ms"
bounce_max = "3 ms"
off_capacitance = "1 pF"
[[relay]]
names = { left = "K1", right = "K2" }
control = "insert"
type = "signal"
contacts = [{ common = "bus", released = "in", operated = "return" }]
[[relay]]
names = { left = "K3", right = "K4" }
control = "mute"
type = "signal"
contacts = [{ common = "bus", released = "out" }]
[[resistor]]
names = { left = "R1", right = "R2" }
series = ["in", "send"]
value = "1 kohm"
tolerance = "1 %"
"""
INSERT_SWITCH_FIXTURE = """
[fixture]
name = "Test fixture"
[controls]
insert = 1
mute = 2
[loads]
out = { legs = "5 kohm" }
[loopbacks.plug]
from = "send"
to = "return"
loss = "0 dB"
[[setup]]
name = "through"
through = true
select = [9]
[[setup]]
name = "outputs"
drive = "left.in"
view = ["left.out", "right.out"]
loopbacks = ["plug"]
select = [10, 11]
[[setup]]
name = "by hand"
drive = "left.in"
view = ["left.in", "left.out"]
loopbacks = ["plug"]
"""


def insert_switch(folder: Path) -> Path:
    """Write a small unit's job into a folder: an insert and a mute, a relay in each channel, no bench."""
    gain = check_of("gain", within="0.2 dB")
    for name, text in (
        ("module", INSERT_SWITCH),
        ("fixture", INSERT_SWITCH_FIXTURE),
        ("sequence", sequence(gain, states="all", channels=["left"], level="0 dBu")),
    ):
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder
