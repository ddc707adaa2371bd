"""sequence.toml of a line switcher, from a few answers."""

from harness.drafts.answers import Answers

_HEAD = """\
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
    return "\n".join([_HEAD, *checks])


def _check(name: str, quantity: str, *rows: str) -> str:
    return "\n".join(["[[check]]", f'name = "{name}"', f'quantity = "{quantity}"', *rows, ""])
