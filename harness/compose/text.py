"""A composed fixture and sequence as the tables of their files, with comments for who changes them."""

import json
from collections.abc import Iterable, Iterator

from harness.compose.job import Selected
from harness.compose.tables import FileTable
from harness.job.fixture import Loopback, LoopbackLeg, Setup, Termination
from harness.job.job import Job
from harness.job.sequence import Check
from harness.quantities.tolerance import TOLERANCE
from harness.reading import Limit
from harness.units import dbu_from_vrms, format_value

MARKS = """\
# A table whose header ends with "# composed" is the program's: `switchwalk compose` may replace it. Change
# such a table as you like: from then on it is yours, and is kept. Delete it, and it is composed again.
"""
FIXTURE_HEAD = f"""\
# How the unit is wired to the bench; docs/files.md explains every key.
{MARKS}"""
SEQUENCE_HEAD = f"""\
# What is checked, in which states, and within which limits. `switchwalk coverage` prints what it detects.
{MARKS}"""


def fixture_tables(job: Job, selected: Selected, about: str) -> Iterator[FileTable]:
    """The tables of fixture.toml. about: a comment, what it is for."""
    fixture = job.fixture
    rows = [f"name = {_text(fixture.name)}"]
    if fixture.undriven_inputs is not None:
        value = _termination(fixture.undriven_inputs)
        rows.append(f"undriven_inputs = {value}   # what ends an input that is not driven")
    yield _table("fixture", "", rows, about)
    controls = [f"{name} = {number}" for name, number in fixture.controls.items()]
    yield _table("controls", "", controls, "The switchboard channel that energises each control line.")
    if fixture.loads:
        loads = [f"{net} = {_termination(load)}" for net, load in fixture.loads.items()]
        yield _table("loads", "", loads, "What ends each port, in every channel that has it.")
    for number, (name, loopback) in enumerate(fixture.loopbacks.items()):
        coded = number == 0 and loopback.legs is not None
        comment = (
            "Coded loopback plugs: every leg of every loop has a loss of its own, so that a reading behind "
            "it shows which leg it came through. Measure the resistors, and write their values into "
            "[measured.NAME]."
        )
        yield _table("loopbacks", name, _loopback(loopback), comment if coded else "")
    for number, setup in enumerate(fixture.setups):
        yield _table("setup", setup.name, _setup(setup), _about_setup(selected, number, setup))


def _about_setup(selected: Selected, number: int, setup: Setup) -> str:
    if setup.through and setup.inputs_swapped:
        return "The same with each pair's two inputs swapped, which gives the ratio of their gains."
    if number:
        return ""
    about = "The generator straight to every pair of scope inputs, to measure the bench."
    if setup.select is None:
        return f"{about} A person moves the leads."
    channels = "; ".join(f"{channel} {words}" for channel, words in selected.meanings.items())
    if all(len(each.select or ()) <= 1 for each in selected.setups):
        return f"{about} `select` lists the switchboard channels that make a setup."
    return f"{about} Switchboard channels, by what each connects: {channels}."


def sequence_tables(job: Job, about: str = "") -> Iterator[FileTable]:
    """The tables of sequence.toml. about: a comment, what it promises."""
    sequence, module = job.sequence, job.module
    tone = sequence.checks[0].tone
    every = sequence.channels == module.channels
    channels = '"all"' if every else _list(sequence.channels)
    rows = [
        f"name = {_text(sequence.name)}",
        f"states = {_list(state.name for state in sequence.states)}",
        f"channels = {channels}",
        f'tone = {{ frequency = "{_hertz(tone.frequency_hz)}", level = "{_level(tone.level_vrms)}" }}',
        f'settle = "{format_value(sequence.settle_s, "s")}"',
    ]
    yield _table("sequence", "", rows, about)
    told: set[str] = set()
    for check in sequence.checks:
        suggestion = check.quantity.suggested
        comment = "" if suggestion is None or check.quantity.name in told else suggestion.comment
        told.add(check.quantity.name)
        yield _table("check", check.name, _check(check, tone.frequency_hz), comment)


def _table(kind: str, name: str, rows: Iterable[str], comment: str = "") -> FileTable:
    header = f"[[{kind}]]" if kind in ("setup", "check") else f"[{kind}.{name}]" if name else f"[{kind}]"
    lines = [*_comment(comment), header, *rows]
    return FileTable(kind=kind, name=name, text="\n".join(lines) + "\n", composed=True)


def _comment(text: str, width: int = 112) -> Iterator[str]:
    line = "#"
    for word in text.split():
        if len(line) + 1 + len(word) > width:
            yield line
            line = "#"
        line += f" {word}"
    if text:
        yield line


def _setup(setup: Setup) -> Iterator[str]:
    yield f"name = {_text(setup.name)}"
    if setup.through:
        yield "through = true"
    if setup.inputs_swapped:
        yield "inputs_swapped = true"
    if setup.drive is not None:
        yield f'drive = "{setup.drive}"'
        yield f"view = {_list(map(str, setup.view))}"
    if setup.loopbacks:
        yield f"loopbacks = {_list(setup.loopbacks)}"
    if setup.select is not None:
        yield f"select = {list(setup.select)}"


def _loopback(loopback: Loopback) -> Iterator[str]:
    yield f'from = "{loopback.from_net}"'
    yield f'to = "{loopback.to_net}"'
    for channel, legs in (loopback.legs or {}).items():
        both = ", ".join(f"{leg} = {_leg(part)}" for leg, part in legs.items())
        yield f"legs.{channel} = {{ {both} }}"
    if loopback.pad_db is not None:
        yield f'loss = "{loopback.pad_db:g} dB"'
    if loopback.pad_impedance_ohm is not None:
        yield f'impedance = "{_ohm(loopback.pad_impedance_ohm)}"'
    if loopback.plug is not None:
        yield f"plug = {_text(loopback.plug)}"


def _leg(part: LoopbackLeg) -> str:
    shunt = f', shunt = "{_ohm(part.shunt_ohm)}"' if part.shunt_ohm is not None else ""
    return f'{{ series = "{_ohm(part.series_ohm)}"{shunt} }}'


def _check(check: Check, usual_hz: float) -> Iterator[str]:
    yield f"name = {_text(check.name)}"
    yield f'quantity = "{check.quantity.name}"'
    if check.at:
        yield f"at = {_list(check.at)}"
    if check.states is not None:
        yield f"states = {_list(state.name for state in check.states)}"
    if check.quantity.takes_tone and check.tone.frequency_hz != usual_hz:
        yield f'frequency = "{_hertz(check.tone.frequency_hz)}"'
    if check.limit is not None:
        yield f'{check.limit.kind} = "{_limit(check.limit)}"'
    silent = check.options.of_silent_ports
    if silent is not None:
        yield f'silent_ports_below = "{_limit(silent)}"'


def _limit(limit: Limit) -> str:
    if limit.tolerance:
        return TOLERANCE
    high = limit.high or 0.0
    return f"{100 * high:g} %" if limit.relative else f"{high:g} {limit.unit}"


def _termination(load: Termination) -> str:
    exact = load.tolerance != 0.01
    tolerance = f', tolerance = "{100 * load.tolerance:g} %"' if exact else ""
    if load.leg_ohm is not None:
        return f'{{ legs = "{_ohm(load.leg_ohm)}"{tolerance} }}'
    across = f'"{_ohm(load.across_ohm or 0.0)}"'
    return f"{{ across = {across}{tolerance} }}" if exact else across


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _list(values: Iterable[str]) -> str:
    return "[" + ", ".join(_text(value) for value in values) + "]"


def _ohm(ohm: float) -> str:
    return format_value(ohm, "ohm")


def _hertz(hz: float) -> str:
    return format_value(hz, "Hz")


def _level(vrms: float) -> str:
    return f"{dbu_from_vrms(vrms):+.4g} dBu"
