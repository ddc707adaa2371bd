"""The jobs of `lead_slips.py`: shipped modules and one with amplifiers, with few checks and states."""

import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.job.job import Job, load_job

SHIPPED = Path(__file__).resolve().parents[1] / "sequences"

SEQUENCE = """\
[sequence]
name = "Leads"
states = {states}
channels = "all"
tone = {{ frequency = "1 kHz", level = "+4 dBu" }}
settle = "20 ms"
{checks}"""
CHECKS = """
[[check]]
name = "Gain"
quantity = "gain"
at = PORTS
within = "WITHIN"
silent_ports_below = "-60 dB"

[[check]]
name = "Polarity"
quantity = "polarity"
at = PORTS

[[check]]
name = "Leg gain difference"
quantity = "leg_gain_difference"
at = PORTS
within = "WITHIN"
"""
ACROSS = """
[[check]]
name = "Channel gain difference"
quantity = "channel_gain_difference"
at = ["PORT"]
within = "WITHIN"

[[check]]
name = "Crosstalk"
quantity = "crosstalk"
at = ["PORT"]
below = "-40 dB"
"""

AMPLIFIER = """\
[module]
name = "Line driver with mute"
part = "LMX-AMP"
revision = "A"
channels = ["left", "right"]

[supply]
voltage = "12 V"
limit = "400 mA"
quiescent = "40 mA"

[controls]
mute = "Output to ground"

[ports]
in = "input"
out = "output"

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
control = "mute"
type = "signal"
contacts = [{ common = "out", released = "driven", operated = "ground" }]

[[amplifier]]
names = { left = "U1", right = "U2" }
from = "in"
to = "driven"
gain = "6 dB"
inverting = INVERTING
input_impedance = "20 kohm"
output_impedance = "100 ohm"
common_mode_rejection = "60 dB"
"""
AMPLIFIER_FIXTURE = """\
[fixture]
name = "Two pairs of leads"
undriven_inputs = { legs = "50 ohm" }

[controls]
mute = 1

[loads]
out = "10 kohm"

[[setup]]
name = "through reference"
through = true
SELECT [9]

[[setup]]
name = "drive left, view input and output"
drive = "left.in"
view = ["left.in", "left.out"]
SELECT [10]

[[setup]]
name = "drive right, view input and output"
drive = "right.in"
view = ["right.in", "right.out"]
SELECT [11]
"""


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A job of the benchmark: what it is made of, in which states, and where it is checked."""

    of: str
    states: tuple[str, ...]
    ports: tuple[str, ...] = ("out",)  # where the checks are made
    across: str = ""  # where both channels are compared
    within: str = (
        "0.3 dB"  # of gains and of their differences; wider where ports are seen on different ranges
    )
    by_hand: bool = False
    amplifier: str = ""  # "false" or "true": whether it inverts


KINDS: Mapping[str, Kind] = {
    "two-loop switcher": Kind(of="two_loop_switcher", states=("idle", "loop_a", "swap"), across="out"),
    "two-loop switcher by hand": Kind(of="two_loop_switcher", states=("idle", "loop_a"), by_hand=True),
    "source selector": Kind(of="source_selector", states=("idle", "select_low", "mute"), across="out"),
    "stepped attenuator": Kind(of="stepped_attenuator", states=("idle", "db_8"), across="out"),
    "monitor panel": Kind(
        of="monitor_panel",
        states=("idle", "source_b", "insert", "dim"),
        ports=("line", "monitor"),
        across="monitor",
        within="1 dB",
    ),
    "amplifier +6 dB": Kind(
        of="two_loop_switcher", states=("idle", "mute"), within="1 dB", amplifier="false"
    ),
    "inverting amplifier": Kind(
        of="two_loop_switcher", states=("idle", "mute"), within="1 dB", amplifier="true"
    ),
    "amplifier +6 dB by hand": Kind(
        of="two_loop_switcher", states=("idle", "mute"), by_hand=True, within="1 dB", amplifier="false"
    ),
    "inverting amplifier by hand": Kind(
        of="two_loop_switcher", states=("idle", "mute"), by_hand=True, within="1 dB", amplifier="true"
    ),
}


def make_job(kind: Kind, folder: Path) -> Job:
    """Write the job's files."""
    shutil.copytree(SHIPPED / kind.of, folder)
    if kind.amplifier:
        select = "# made by hand instead of select =" if kind.by_hand else "select ="
        (folder / "module.toml").write_text(AMPLIFIER.replace("INVERTING", kind.amplifier), encoding="utf-8")
        fixture = AMPLIFIER_FIXTURE.replace("SELECT", select)
        (folder / "fixture.toml").write_text(fixture, encoding="utf-8")
    elif kind.by_hand:
        (folder / "by_hand_fixture.toml").replace(folder / "fixture.toml")
    checks = CHECKS + (ACROSS.replace("PORT", kind.across) if kind.across else "")
    text = SEQUENCE.format(
        states=json.dumps(kind.states),
        checks=checks.replace("PORTS", json.dumps(kind.ports)).replace("WITHIN", kind.within),
    )
    (folder / "sequence.toml").write_text(text, encoding="utf-8")
    return load_job(folder)
