"""module.toml of a line switcher, from a few answers."""

from collections.abc import Iterator

from harness.drafts.answers import Answers

TITLES = {"mute": "Output to ground", "dim": "Output through the 20 dB pad"}

_HEAD = """\
# What the unit is. docs/files.md of switchwalk tells every key; `switchwalk table` shows what this file says.
# An invented unit of a small radio station's outside-broadcast rack: put your own names and values in.

[module]
name = "Line switcher"
part = "OB-LS"
revision = "A"
channels = [{channels}]

[supply]                       # the relay supply
voltage = "12 V"
limit = "{limit}"               # current limit to set: all coils at once, and some room
quiescent = "6 mA"             # drawn with no line on

[lines]                        # control lines, in the order that states are written
{lines}

[ports]                        # balanced ports; each exists once in every channel
in = "input"
out = "output"
{ports}
[relay_types.signal]           # from the relay's data sheet
coil = "1028 ohm"
contact = "50 mohm"            # typical
contact_max = "100 mohm"       # what a healthy one may reach
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
    nets = route_nets(answers)
    coils = len(answers.line_names) * answers.relays_per_line
    head = _HEAD.format(
        channels=", ".join(f'"{name}"' for name in answers.channel_names),
        limit=f"{50 + 25 * coils} mA",
        lines="\n".join(f'{name} = "{_title(name)}"' for name in answers.line_names),
        ports="".join(f'{name}_send = "send"\n{name}_return = "return"\n' for name in answers.loop_names),
    )
    relays = [
        _relay(answers, number, line, comment, contacts)
        for number, (line, comment, contacts) in enumerate(_switching(answers, nets), start=1)
    ]
    pad = ""
    if "dim" in answers.line_names:
        before = nets[-2]
        pad = _PAD.format(
            before=before, series_names=_part_names(answers, 1), shunt_names=_part_names(answers, 2)
        )
    return head + "".join(relays) + pad


def route_nets(answers: Answers) -> tuple[str, ...]:
    """Nets along the route: the input, what is behind each line's relay, the output last."""
    between = [f"after_{name}" for name in answers.line_names[:-1]]
    return ("in", *between, "out")


def _title(line: str) -> str:
    return TITLES.get(line, f"Loop {line.removeprefix('loop_')} in circuit")


def _switching(answers: Answers, nets: tuple[str, ...]) -> Iterator[tuple[str, str, tuple[Contact, ...]]]:
    """Give line, comment and contacts of every line's relay, along the route."""
    for line, before, after in zip(answers.line_names, nets[:-1], nets[1:], strict=True):
        if line == "mute":
            yield (
                line,
                "Mute: operated, the route ends on ground.",
                ((("common", after), ("rest", before), ("operated", "ground")),),
            )
        elif line == "dim":
            yield (
                line,
                "Dim: operated, the output comes from the pad.",
                ((("common", after), ("rest", before), ("operated", "dim_pad")),),
            )
        else:
            yield (
                line,
                f"{_title(line)}: at rest the route goes past it and its send is on ground.",
                (
                    (("common", f"{line}_send"), ("rest", "ground"), ("operated", before)),
                    (("common", after), ("rest", before), ("operated", f"{line}_return")),
                ),
            )


def _relay(answers: Answers, number: int, line: str, comment: str, contacts: tuple[Contact, ...]) -> str:
    """One [[relay]] with `names` for a relay in each channel, or with `name` for one that serves all."""
    each = answers.relays_per_line == answers.channels and answers.channels > 1
    name = _names(answers, "K", number) if each else f'name = "K{number}"'
    owners: tuple[str | None, ...] = (None,) if each or answers.channels == 1 else answers.channel_names
    rows = [
        "  { " + ", ".join(f'{key} = "{net}"' for key, net in _of_channel(contact, owner)) + " },"
        for owner in owners
        for contact in contacts
    ]
    head = ["", f"# {comment}", "[[relay]]", name, f'line = "{line}"', 'type = "signal"', "contacts = ["]
    return "\n".join([*head, *rows, "]", ""])


def _of_channel(contact: Contact, owner: str | None) -> Contact:
    return contact if owner is None else (("channel", owner), *contact)


def _names(answers: Answers, letter: str, number: int) -> str:
    owners = ", ".join(
        f'{channel} = "{letter}{number + 10 * place}"' for place, channel in enumerate(answers.channel_names)
    )
    return f"names = {{ {owners} }}"


def _part_names(answers: Answers, number: int) -> str:
    return f'name = "R{number}"' if answers.channels == 1 else _names(answers, "R", number)
