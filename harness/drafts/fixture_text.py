"""fixture.toml and bench.toml of a line switcher, from a few answers."""

from collections.abc import Iterator

from harness.drafts.answers import Answers

# A keyed plug for each loop: a series resistor for each leg of each channel, no two alike, and their shunt.
_KEYS = (
    (("390 ohm", "510 ohm", "620 ohm", "750 ohm"), "1.1 kohm"),
    (("2 kohm", "2.4 kohm", "3 kohm", "3.6 kohm"), "5.1 kohm"),
    (("820 ohm", "910 ohm", "1 kohm", "1.2 kohm"), "2.2 kohm"),
    (("4.3 kohm", "4.7 kohm", "5.6 kohm", "6.2 kohm"), "10 kohm"),
)

_HEAD = """\
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
        _HEAD.format(lines="\n".join(lines))
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
