"""A new job's four files, as text, of a line switcher from a few answers."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from harness.errors import UsageError
from harness.job.job import BENCH, FIXTURE, MODULE, SEQUENCE

MOST_CHANNELS = 8
MOST_LOOPS = 4
EXTRA_CONTROLS = ("mute", "dim")  # what the control lines that are no loop's do, in this order


@dataclass(frozen=True, kw_only=True)
class Answers:
    """A line switcher: `loops` send/return loops, each on a line of its own, then the extra lines.

    relays_per_control: 1 for one relay that serves every channel, or one relay for each channel.
    """

    channels: int
    controls: int
    loops: int
    relays_per_control: int

    @property
    def channel_names(self) -> tuple[str, ...]:
        """`mono`; `left` and `right`; or `ch1`, `ch2` …"""
        few: dict[int, tuple[str, ...]] = {1: ("mono",), 2: ("left", "right")}
        return few.get(self.channels) or tuple(f"ch{number}" for number in range(1, self.channels + 1))

    @property
    def loop_names(self) -> tuple[str, ...]:
        """`loop_1`, `loop_2` …: the loops' lines, and the stem of their nets."""
        return tuple(f"loop_{number}" for number in range(1, self.loops + 1))

    @property
    def control_names(self) -> tuple[str, ...]:
        """Every control line, in the order that states are written."""
        return (*self.loop_names, *EXTRA_CONTROLS[: self.controls - self.loops])


TEMPLATES: Mapping[str, Answers] = MappingProxyType(
    {
        "stereo-loops": Answers(channels=2, controls=3, loops=2, relays_per_control=2),
        "mono-insert": Answers(channels=1, controls=1, loops=1, relays_per_control=1),
        "stereo-mute": Answers(channels=2, controls=2, loops=0, relays_per_control=1),
    }
)
USUAL = "stereo-loops"


def template(name: str) -> Answers:
    """A template's answers. Raises UsageError that lists the templates."""
    if name not in TEMPLATES:
        raise UsageError(f'no such template: "{name}"; expected one of {", ".join(TEMPLATES)}')
    return TEMPLATES[name]


def check_answers(answers: Answers) -> Answers:
    """The answers, if they fit together. Raises UsageError for the first that does not."""
    loops, controls = answers.loops, answers.controls
    most = loops + len(EXTRA_CONTROLS)
    if not 1 <= answers.channels <= MOST_CHANNELS:
        raise UsageError(f"channels: found {answers.channels}; expected 1 to {MOST_CHANNELS}")
    if not 0 <= loops <= MOST_LOOPS:
        raise UsageError(f"loops: found {loops}; expected 0 to {MOST_LOOPS}")
    if not max(1, loops) <= controls <= most:
        raise UsageError(
            f"control lines: found {controls}; expected {max(1, loops)} to {most} with {loops} loops: a "
            f"control line for each loop, then {' and '.join(EXTRA_CONTROLS)}"
        )
    if answers.relays_per_control not in (1, answers.channels):
        raise UsageError(
            f"relays per control line: found {answers.relays_per_control}; expected 1, which serves every "
            f"channel, or {answers.channels}, one for each channel"
        )
    return answers


TITLES = {"mute": "Output to ground", "dim": "Output through the 20 dB pad"}

_HEAD = """\
# What the unit is. docs/files.md explains every key; `switchwalk table` prints what the circuit predicts.
# An invented unit of an outside-broadcast rack: replace its names and values by your own.

[module]
name = "Line switcher"
part = "OB-LS"
revision = "A"
channels = [{channels}]

[supply]                       # the relay supply
voltage = "12 V"
limit = "{limit}"               # current limit to set: all coils at once, and a margin
quiescent = "6 mA"             # drawn with no control line on

[controls]                     # control lines, in the order in which states are written
{controls}

[ports]                        # balanced ports; each exists once in every channel
in = "input"
out = "output"
{ports}
[relay_types.signal]           # from the relay's data sheet
coil = "1028 ohm"
contact = "50 mohm"            # typical
contact_max = "100 mohm"       # the most that a good one may have
operate_max = "4 ms"
release_max = "4 ms"
bounce_max = "3 ms"
off_capacitance = "1 pF"
"""

_PAD = """
# The dim pad: a balanced U pad that stays on the output's route, 20 dB into a bridging load.
[[resistor]]
{series_names}
series = ["{before}", "dim_pad"]
value = "2.7 kohm"
tolerance = "0.1 %"

[[resistor]]
{shunt_names}
to_ground = "dim_pad"
value = "301 ohm"
tolerance = "0.1 %"
"""

Contact = tuple[tuple[str, str], ...]


def module_text(answers: Answers) -> str:
    """Write module.toml. The answers are checked before."""
    between = [f"after_{name}" for name in answers.control_names[:-1]]
    nets = ("in", *between, "out")  # along the route; between them each control line's relay
    coils = len(answers.control_names) * answers.relays_per_control
    head = _HEAD.format(
        channels=", ".join(f'"{name}"' for name in answers.channel_names),
        limit=f"{50 + 25 * coils} mA",
        controls="\n".join(f'{name} = "{_title(name)}"' for name in answers.control_names),
        ports="".join(f'{name}_send = "send"\n{name}_return = "return"\n' for name in answers.loop_names),
    )
    relays = [
        _relay(answers, number, control, comment, contacts)
        for number, (control, comment, contacts) in enumerate(_switching(answers, nets), start=1)
    ]
    pad = ""
    if "dim" in answers.control_names:
        pad = _PAD.format(
            before=nets[-2], series_names=_part_names(answers, 1), shunt_names=_part_names(answers, 2)
        )
    return head + "".join(relays) + pad


def _title(line: str) -> str:
    return TITLES.get(line, f"Loop {line.removeprefix('loop_')} in circuit")


def _switching(answers: Answers, nets: tuple[str, ...]) -> Iterator[tuple[str, str, tuple[Contact, ...]]]:
    """Control line, comment and contacts of every control line's relay, along the route."""
    for control, before, after in zip(answers.control_names, nets[:-1], nets[1:], strict=True):
        if control == "mute":
            yield (
                control,
                "Mute: operated, the route ends on ground.",
                ((("common", after), ("released", before), ("operated", "ground")),),
            )
        elif control == "dim":
            yield (
                control,
                "Dim: operated, the output comes from the pad.",
                ((("common", after), ("released", before), ("operated", "dim_pad")),),
            )
        else:
            yield (
                control,
                f"{_title(control)}: released, the route bypasses it and its send is on ground.",
                (
                    (("common", f"{control}_send"), ("released", "ground"), ("operated", before)),
                    (("common", after), ("released", before), ("operated", f"{control}_return")),
                ),
            )


def _relay(answers: Answers, number: int, control: str, comment: str, contacts: tuple[Contact, ...]) -> str:
    """One [[relay]] with `names` for a relay in each channel, or with `name` for one that serves all."""
    one_each = answers.relays_per_control == answers.channels and answers.channels > 1
    name = _names(answers, "K", number) if one_each else f'name = "K{number}"'
    channels = () if one_each or answers.channels == 1 else answers.channel_names
    owners: list[Contact] = [(("channel", channel),) for channel in channels] or [()]
    rows = [
        "  { " + ", ".join(f'{key} = "{net}"' for key, net in (*owner, *contact)) + " },"
        for owner in owners
        for contact in contacts
    ]
    head = [
        "",
        f"# {comment}",
        "[[relay]]",
        name,
        f'control = "{control}"',
        'type = "signal"',
        "contacts = [",
    ]
    return "\n".join([*head, *rows, "]", ""])


def _names(answers: Answers, letter: str, number: int) -> str:
    owners = ", ".join(
        f'{channel} = "{letter}{number + 10 * index}"' for index, channel in enumerate(answers.channel_names)
    )
    return f"names = {{ {owners} }}"


def _part_names(answers: Answers, number: int) -> str:
    return f'name = "R{number}"' if answers.channels == 1 else _names(answers, "R", number)


# A coded plug for each loop: a series resistor for each leg of each channel, no two alike, and their shunt.
_PADS = (
    (("390 ohm", "510 ohm", "620 ohm", "750 ohm"), "1.1 kohm"),
    (("2 kohm", "2.4 kohm", "3 kohm", "3.6 kohm"), "5.1 kohm"),
    (("820 ohm", "910 ohm", "1 kohm", "1.2 kohm"), "2.2 kohm"),
    (("4.3 kohm", "4.7 kohm", "5.6 kohm", "6.2 kohm"), "10 kohm"),
)

# Of more than two channels: the E12 series, beginning further on in each loop. So a leg's losses are half a
# decibel from its neighbours' and from each other.
_SERIES = (
    *("1 kohm", "1.2 kohm", "1.5 kohm", "1.8 kohm", "2.2 kohm", "2.7 kohm", "3.3 kohm", "3.9 kohm"),
    *("4.7 kohm", "5.6 kohm", "6.8 kohm", "8.2 kohm", "10 kohm", "12 kohm", "15 kohm", "18 kohm"),
)
_SHUNT = "2.2 kohm"

_FIXTURE = """\
# How the unit is wired to the bench. `switchwalk wiring` prints pin lists and drawings.

[fixture]
name = "Drawer fixture with selector relays"
undriven_inputs = {{ legs = "50 ohm" }}   # what terminates an input that is not driven

[controls]                     # relay board channel that energises each control line
{controls}

[loads]                        # across the pair, in every channel
out = "10 kohm"
"""

_LOOPBACKS = """
# Loopback plugs, one in each loop. They are coded: every leg has a loss of its own, so that a reading at the
# output shows which leg of which loop it came through. Measure the resistors of yours and write the values
# into [measured.NAME] (docs/files.md).
"""

_SETUPS = """
# Test setups: which port the generator drives, and which ports the scope's input pairs view, hot first.
# `select` lists the relay board channels that make the setup; leave it out if a person moves the leads.
[[setup]]
name = "through reference"     # the generator straight to every pair, to measure the bench
through = true
select = [{through}]
"""

BENCH_TEXT = """\
# Which instruments the bench has. `switchwalk run --simulate` ignores their addresses; for a real bench put
# in your own. A profile that is not shipped is a file beside this one (docs/profiles.md).

[bench]
name = "Rack room bench"
# mains = "50 Hz"              # or "60 Hz", where it stands: levels then take half the time or less

[generator]
address = "TCPIP::192.0.2.10::5025::SOCKET"   # an address for examples; nobody has it
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
    lines = [f"{name} = {number}" for number, name in enumerate(answers.control_names, start=1)]
    loopbacks = "".join(_loopback(answers, loop) for loop in range(answers.loops))
    through = len(answers.control_names) + 1
    return (
        _FIXTURE.format(controls="\n".join(lines))
        + (_LOOPBACKS + loopbacks if loopbacks else "")
        + _SETUPS.format(through=through)
        + "".join(_setups(answers, through + 1))
    )


def _loopback(answers: Answers, loop: int) -> str:
    name = answers.loop_names[loop]
    series, shunt = _SERIES[4 * loop :] + _SERIES[: 4 * loop], _SHUNT
    if len(answers.channel_names) <= 2:
        series, shunt = _PADS[loop]
    legs = []
    for index, channel in enumerate(answers.channel_names):
        hot, cold = (f'{{ series = "{series[2 * index + offset]}", shunt = "{shunt}" }}' for offset in (0, 1))
        legs.append(f"legs.{channel} = {{ hot = {hot}, cold = {cold} }}\n")
    ends = f'from = "{name}_send"\nto = "{name}_return"\n'
    return f"[loopbacks.pad_{name.removeprefix('loop_')}]\n{ends}{''.join(legs)}\n"


def _setups(answers: Answers, free: int) -> Iterator[str]:
    """Every setup; `free` is the first switchboard channel that is not used yet."""
    channels = answers.channel_names
    # Closed by the bits of the channel's place: few of the switchboard's channels choose one of many.
    sides = range(free, free + (len(channels) - 1).bit_length())
    kinds = iter(range(free + len(sides), free + len(sides) + 12))
    sends = [f"{name}_send" for name in answers.loop_names]
    views: list[tuple[str, tuple[str, ...], bool]] = [("view input and output", (".in", ".out"), False)]
    if len(channels) == 2:
        views.append(("view both outputs", (".out", "other.out"), False))
    for first in range(0, len(sends), 2):
        pair = sends[first : first + 2]
        views.append((f"view {' and '.join(pair)}", tuple(f".{net}" for net in pair), False))
    views.append(("view output and control lines", (".out",), True))
    for what, nets, with_controls in views:
        kind = next(kinds)
        for index, channel in enumerate(channels):
            other = channels[1 - index] if len(channels) == 2 else channel
            view = [f"{other if net.startswith('other') else channel}.{net.split('.')[1]}" for net in nets]
            select = [kind, *(side for bit, side in enumerate(sides) if index >> bit & 1)]
            yield _setup(
                answers, f"drive {channel}, {what}", channel, view, select, with_controls=with_controls
            )


def _setup(
    answers: Answers, name: str, channel: str, view: list[str], select: list[int], *, with_controls: bool
) -> str:
    rows = ["", "[[setup]]", f'name = "{name}"', f'drive = "{channel}.in"', f"view = {_listed(view)}"]
    if answers.loops:
        rows.append(f"loopbacks = {_listed([name.replace('loop', 'pad') for name in answers.loop_names])}")
    rows.append(f"select = {select}")
    if with_controls:
        controls = ", ".join(f"{control} = 3" for control in answers.control_names)
        rows.append(
            f"controls_viewed = {{ {controls} }}   # through equal resistors on scope input 3, to time their "
            "edges"
        )
    return "\n".join([*rows, ""])


def _listed(names: list[str]) -> str:
    return "[" + ", ".join(f'"{name}"' for name in names) + "]"


_SEQUENCE = """\
# What is checked, in which states, and within which limits. `switchwalk plan` prints what a run will do, and
# `switchwalk coverage` which single faults of the unit it would detect.

[sequence]
name = "First sequence"
states = ["all", "unpowered"]  # every combination of the control lines, and the relay supply off
channels = "all"
tone = { frequency = "1 kHz", level = "+4 dBu" }
settle = "20 ms"
"""


def sequence_text(answers: Answers) -> str:
    """Write sequence.toml. The answers are checked before."""
    everywhere = ", ".join(f'"{net}"' for net in ("out", *(f"{loop}_send" for loop in answers.loop_names)))
    changes = ", ".join(f'"{state}"' for state in ("idle", *answers.control_names))
    # Each plug's resistors of 1 % are unsure by about as much as the narrower limits.
    gain, pair = ("0.3 dB", "0.5 dB") if answers.loops else ("0.2 dB", "0.2 dB")
    checks = [
        _check(
            "Route and gain",
            "gain",
            f"at = [{everywhere}]",
            f'within = "{gain}"              # of what the circuit predicts for that state and port',
            'silent_ports_below = "-80 dB"        # where it predicts silence',
        ),
        _check("Polarity", "polarity", f"at = [{everywhere}]"),
        _check("Phase", "phase", 'at = ["out"]', 'within = "3 deg"'),
        _check("Leg gain difference", "leg_gain_difference", 'at = ["out"]', f'within = "{pair}"'),
    ]
    if answers.channels > 1:
        checks += [
            _check("Channel gain difference", "channel_gain_difference", 'at = ["out"]', f'within = "{pair}"')
        ]
    if answers.channels == 2:
        checks.append(
            _check("Crosstalk", "crosstalk", 'at = ["out"]', 'frequency = "10 kHz"', 'below = "-70 dB"')
        )
    elif answers.channels > 2:
        checks.append(
            "# Crosstalk needs a setup for each pair of channels, as `switchwalk compose` writes them.\n"
        )
    checks += [
        "# At a level that repairs no contact: 100 ohm in a contact shows.\n"
        + _check(
            "Low-level gain",
            "gain",
            'level = "50 mV"',
            'at = ["out"]',
            f'within = "{gain}"',
            'silent_ports_below = "-60 dB"',
        ),
        "# Each control line ten times: a contact that fails every third time does not pass.\n"
        + _check(
            "Intermittent contacts", "intermittency", 'at = ["out"]', "operations = 10", 'below = "30 %"'
        ),
        _check("Noise", "noise", 'at = ["out"]', 'states = ["idle"]', 'below = "-80 dBu"'),
        _check("DC offset", "dc_offset", 'at = ["out"]', 'between = ["-5 mV", "5 mV"]'),
        _check("Relay current", "supply_current", 'within = "8 %"'),
        "# Changes of one control line at a time between these states. The limit is the relay's 4 ms plus "
        "3 ms of bounce.\n"
        + _check("Operate time", "operate_time", 'at = ["out"]', f"states = [{changes}]", 'below = "7 ms"'),
        _check("Release time", "release_time", 'at = ["out"]', f"states = [{changes}]", 'below = "7 ms"'),
        _check("Bounce time", "bounce_time", 'at = ["out"]', f"states = [{changes}]", 'below = "3 ms"'),
    ]
    return "\n".join([_SEQUENCE, *checks])


def _check(name: str, quantity: str, *rows: str) -> str:
    return "\n".join(["[[check]]", f'name = "{name}"', f'quantity = "{quantity}"', *rows, ""])


def job_texts(answers: Answers) -> Mapping[str, str]:
    """Write the four files, by name. Raises UsageError if the answers do not fit together."""
    check_answers(answers)
    return {
        MODULE: module_text(answers),
        FIXTURE: fixture_text(answers),
        SEQUENCE: sequence_text(answers),
        BENCH: BENCH_TEXT,
    }


def check_new(paths: Iterable[Path]) -> None:
    """Raises UsageError if a file that is to be written exists."""
    if existing := [path for path in paths if path.exists() or path.is_symlink()]:
        listed = ", ".join(map(str, existing))
        raise UsageError(f"{listed}: already there, and nothing is written over; expected a new name")


def write_new(texts: Mapping[Path, str]) -> None:
    """Write new files. Raises UsageError, before anything is written, if one exists."""
    check_new(texts)
    for path, text in texts.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        except OSError as error:
            raise UsageError(
                f"{path}: cannot be written: {error.strerror or error}; choose another place"
            ) from None
