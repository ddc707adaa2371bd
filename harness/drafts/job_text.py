"""fixture.toml, sequence.toml and bench.toml of a line switcher from a few answers, and all four files."""

from collections.abc import Iterator, Mapping
from pathlib import Path

from harness.drafts.answers import Answers, check_answers
from harness.drafts.module_text import module_text
from harness.errors import UsageError
from harness.job.load import BENCH, FIXTURE, MODULE, SEQUENCE

# A keyed plug for each loop: a series resistor for each leg of each channel, no two alike, and their shunt.
_KEYS = (
    (("390 ohm", "510 ohm", "620 ohm", "750 ohm"), "1.1 kohm"),
    (("2 kohm", "2.4 kohm", "3 kohm", "3.6 kohm"), "5.1 kohm"),
    (("820 ohm", "910 ohm", "1 kohm", "1.2 kohm"), "2.2 kohm"),
    (("4.3 kohm", "4.7 kohm", "5.6 kohm", "6.2 kohm"), "10 kohm"),
)

_FIXTURE = """\
# How the unit is wired to the bench. `switchwalk wiring` makes pin lists and drawings of this file.

[fixture]
name = "Drawer fixture with selector relays"
undriven_inputs = {{ legs = "50 ohm" }}   # what ends an input that the generator is not on

[lines]                        # switchboard channel that energises each control line
{lines}

[loads]                        # across the pair, in every channel
out = "10 kohm"
"""

_LINKS = """
# Loop plugs, one in each loop. They are keyed: every leg differs, so that a reading at the output says which
# leg of which loop it came through. Measure yours and write them under [plugs.NAME] (docs/files.md).
"""

_HOOKUPS = """
# Hookups: which port the generator is on, and which ports the scope's input pairs are on, hot first. `select`
# are the switchboard channels that make one; leave it out where a person moves the leads.
[[hookup]]
name = "through reference"     # the generator straight to every pair: what the bench itself adds
through = true
select = [{through}]
"""

BENCH_TEXT = """\
# Which instruments stand on the bench. `switchwalk run --simulate` does not use their addresses; for a real
# bench put in your own. Any profile that is not shipped is a file beside this one (docs/files.md).

[bench]
name = "Rack room bench"

[generator]
address = "TCPIP::192.0.2.10::5025::SOCKET"   # an example's address: it is nobody's
profile = "scpi-generator"
hot = 1                        # output that feeds the hot leg
cold = 2

[oscilloscope]
address = "TCPIP::192.0.2.11::5025::SOCKET"
profile = "preamble-oscilloscope"
probe = "1x"
gain_accuracy = "2 %"          # from its data sheet

[supply]
address = "TCPIP::192.0.2.12::5025::SOCKET"
profile = "scpi-supply"
output = 1

[switchboard]
address = "ASRL/dev/ttyUSB0::INSTR"
profile = "frame-switchboard"
settle = "15 ms"
"""


def fixture_text(answers: Answers) -> str:
    """Write fixture.toml. The answers are checked before."""
    lines = [f"{name} = {number}" for number, name in enumerate(answers.line_names, start=1)]
    links = "".join(_link(answers, place) for place in range(answers.loops))
    through = len(answers.line_names) + 1
    return (
        _FIXTURE.format(lines="\n".join(lines))
        + (_LINKS + links if links else "")
        + _HOOKUPS.format(through=through)
        + "".join(_hookups(answers, through + 1))
    )


def _link(answers: Answers, place: int) -> str:
    name = answers.loop_names[place]
    series, shunt = _KEYS[place]
    legs = []
    for index, channel in enumerate(answers.channel_names):
        hot, cold = (f'{{ series = "{series[2 * index + offset]}", shunt = "{shunt}" }}' for offset in (0, 1))
        legs.append(f"legs.{channel} = {{ hot = {hot}, cold = {cold} }}\n")
    ends = f'from = "{name}_send"\nto = "{name}_return"\n'
    return f"[links.key_{name.removeprefix('loop_')}]\n{ends}{''.join(legs)}\n"


def _hookups(answers: Answers, free: int) -> Iterator[str]:
    """Give every hookup; `free` is the first switchboard channel that nothing else has."""
    channels = answers.channel_names
    side = free  # closed for everything on the second channel
    kinds = iter(range(free + 1, free + 12))
    sends = [f"{name}_send" for name in answers.loop_names]
    views: list[tuple[str, tuple[str, ...], bool]] = [("view input and output", (".in", ".out"), False)]
    if len(channels) == 2:
        views.append(("view both outputs", (".out", "other.out"), False))
    for first in range(0, len(sends), 2):
        pair = sends[first : first + 2]
        views.append((f"view {' and '.join(pair)}", tuple(f".{net}" for net in pair), False))
    views.append(("view output and lines", (".out",), True))
    for what, nets, with_lines in views:
        kind = next(kinds)
        for place, channel in enumerate(channels):
            other = channels[1 - place] if len(channels) == 2 else channel
            view = [f"{other if net.startswith('other') else channel}.{net.split('.')[1]}" for net in nets]
            select = [kind, side] if place else [kind]
            yield _hookup(answers, f"drive {channel}, {what}", channel, view, select, with_lines=with_lines)


def _hookup(
    answers: Answers, name: str, channel: str, view: list[str], select: list[int], *, with_lines: bool
) -> str:
    rows = ["", "[[hookup]]", f'name = "{name}"', f'drive = "{channel}.in"', f"view = {_listed(view)}"]
    if answers.loops:
        rows.append(f"links = {_listed([name.replace('loop', 'key') for name in answers.loop_names])}")
    rows.append(f"select = {select}")
    if with_lines:
        lines = ", ".join(f"{line} = 3" for line in answers.line_names)
        rows.append(f"lines_on = {{ {lines} }}   # through equal resistors on scope input 3: the edges' time")
    return "\n".join([*rows, ""])


def _listed(names: list[str]) -> str:
    return "[" + ", ".join(f'"{name}"' for name in names) + "]"


_SEQUENCE = """\
# What is checked, in which states, and within which limits. `switchwalk plan` shows what a run will do, and
# `switchwalk cover` which single faults of the unit it would see.

[sequence]
name = "First sequence"
states = ["all", "unpowered"]  # every combination of the lines, and the relay supply off
channels = "all"
tone = { frequency = "1 kHz", level = "+4 dBu" }
settle = "20 ms"
"""


def sequence_text(answers: Answers) -> str:
    """Write sequence.toml. The answers are checked before."""
    everywhere = ", ".join(f'"{net}"' for net in ("out", *(f"{loop}_send" for loop in answers.loop_names)))
    edges = ", ".join(f'"{state}"' for state in ("rest", *answers.line_names))
    # Each plug's resistors of 1 % are unsure by about as much as the narrower limits.
    gain, pair = ("0.3 dB", "0.5 dB") if answers.loops else ("0.2 dB", "0.2 dB")
    checks = [
        _check(
            "Route and gain",
            "gain",
            f"at = [{everywhere}]",
            f'within = "{gain}"              # of what the circuit predicts for that state and port',
            'silent_below = "-80 dB"        # where it predicts silence',
        ),
        _check("Polarity", "polarity", f"at = [{everywhere}]"),
        _check("Phase", "phase", 'at = ["out"]', 'within = "3 deg"'),
        _check("Leg balance", "balance", 'at = ["out"]', f'within = "{pair}"'),
    ]
    if answers.channels == 2:
        checks += [
            _check("Channel match", "channel_match", 'at = ["out"]', f'within = "{pair}"'),
            _check("Crosstalk", "crosstalk", 'at = ["out"]', 'frequency = "10 kHz"', 'below = "-70 dB"'),
        ]
    checks += [
        "# At a level that mends no contact: 100 ohm in a contact shows.\n"
        + _check(
            "Dry contacts",
            "gain",
            'level = "50 mV"',
            'at = ["out"]',
            f'within = "{gain}"',
            'silent_below = "-60 dB"',
        ),
        "# Each line ten times: a contact that fails every third time does not come through.\n"
        + _check(
            "Intermittent contacts", "intermittency", 'at = ["out"]', "operations = 10", 'below = "30 %"'
        ),
        _check("Noise", "noise", 'at = ["out"]', 'states = ["rest"]', 'below = "-80 dBu"'),
        _check("Direct voltage", "offset", 'at = ["out"]', 'between = ["-5 mV", "5 mV"]'),
        _check("Relay current", "supply_current", 'within = "8 %"'),
        "# Changes of one line at a time between these states: the relay's 4 ms, and 3 ms of bounce.\n"
        + _check("Operate time", "operate_time", 'at = ["out"]', f"states = [{edges}]", 'below = "7 ms"'),
        _check("Release time", "release_time", 'at = ["out"]', f"states = [{edges}]", 'below = "7 ms"'),
        _check("Bounce", "bounce", 'at = ["out"]', f"states = [{edges}]", 'below = "3 ms"'),
    ]
    return "\n".join([_SEQUENCE, *checks])


def _check(name: str, quantity: str, *rows: str) -> str:
    return "\n".join(["[[check]]", f'name = "{name}"', f'quantity = "{quantity}"', *rows, ""])


def job_texts(answers: Answers) -> Mapping[str, str]:
    """Write the four files, by name. Raises UsageError where the answers do not fit together."""
    check_answers(answers)
    return {
        MODULE: module_text(answers),
        FIXTURE: fixture_text(answers),
        SEQUENCE: sequence_text(answers),
        BENCH: BENCH_TEXT,
    }


def write_new(texts: Mapping[Path, str]) -> None:
    """Write files that are not there yet. Raises UsageError, before anything is written, where one is."""
    if there := [path for path in texts if path.exists() or path.is_symlink()]:
        raise UsageError(
            f"{', '.join(map(str, there))}: already there, and nothing is written over; expected a new name"
        )
    for path, text in texts.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        except OSError as error:
            raise UsageError(
                f"{path}: cannot be written: {error.strerror or error}; choose another place"
            ) from None
