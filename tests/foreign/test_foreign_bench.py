"""A bench that is not the project's: other instruments behind the shipped profiles, another module.

The instruments are written from the profiles' command lists and SCPI-1999 alone (instruments.py), the
module's circuit from its drawing (box.py). Nothing here comes from the simulator.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.cli.commands import Printed, switchwalk
from tests.foreign.bench import ForeignBench
from tests.foreign.box import RELAYS, Unit, volts, wiring
from tests.foreign.instruments import OtherOscilloscope
from tests.jobs import RELAY_CURRENT, check_of, edit, job_in

JOB = Path(__file__).parent / "insert_box"
PROFILES = Path(__file__).resolve().parents[2] / "drivers" / "profiles"
ORIGIN_IN_COUNTS = """formula = "(raw - origin - reference) * scale"
points = "field 3"
interval_s = "field 5"
x_origin_s = "field 6"
x_reference = "field 7"
scale = "field 8"
origin = "field 9"
reference = "field 10"
"""
SELECTS = {
    "drive left, view outputs": {10, 14},
    "drive right, view outputs": {11, 14},
    "drive left, view input and output": {12, 14},
    "drive right, view input and output": {13, 14},
    "drive left, no plug, view outputs": {10},
}


@dataclass(frozen=True, kw_only=True)
class Ran:
    """What a run printed and what it left in the records."""

    printed: Printed
    readings: list[dict[str, Any]]
    safe: bool
    errors: list[int]


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def short_job(tmp_path: Path) -> Path:
    """The box's job with three states and few checks."""
    return job_in(
        tmp_path / "job",
        check_of("gain", within="0.2 dB", silent_ports_below="-60 dB"),
        check_of("polarity"),
        check_of("crosstalk", frequency="10 kHz", below="-70 dB"),
        RELAY_CURRENT,
        of=JOB,
        states=["idle", "insert", "reverse+pad"],
        settle="10 ms",
    )


def run(
    capsys: pytest.CaptureFixture[str],
    job: Path,
    bench: ForeignBench,
    *,
    folder: Path | None = None,
    scope_profile: str = "preamble-oscilloscope",
) -> Ran:
    """Run a job on a bench whose bench.toml lies somewhere else than the job."""
    place = Path("bench here") if folder is None else folder
    place.mkdir(exist_ok=True)
    with bench:
        file = bench.write(place / "bench.toml", scope_profile=scope_profile)
        printed = switchwalk(capsys, "run", str(job), "--serial", "F-1", "--bench", str(file))
        safe, errors = bench.is_safe(), bench.errors()
    shown = switchwalk(capsys, "show", "1", "--json")
    record: dict[str, Any] = json.loads(shown.out) if shown.code == 0 else {"readings": []}
    return Ran(printed=printed, readings=record["readings"], safe=safe, errors=errors)


def hand_made_gain_db(unit: Unit, reading: dict[str, Any]) -> float:
    """The level that the box's own circuit gives: ½[(Hhh - Hch) - (Hhc - Hcc)] of the port that was read."""
    state = reading["state"].split("+")
    moved = {relay for relay, line in RELAYS.items() if line in state} - unit.coil_open
    at = {relay: unit.stuck.get(relay, "operated" if relay in moved else "released") for relay in RELAYS}
    setup = reading["setup"]
    h = volts(unit, at, wiring(frozenset(SELECTS[setup]), unit), (True, True), reading["frequency_hz"])
    legs = (h[:, 0] - h[:, 1]) / 2
    own = 2 if "input and output" in setup else 0
    return float(20 * np.log10(abs(legs[own] - legs[own + 1])))


def gains(ran: Ran) -> list[dict[str, Any]]:
    return [reading for reading in ran.readings if reading["quantity"] == "gain" and not reading["floor"]]


def one_reading(ran: Ran, quantity: str, state: str) -> dict[str, Any]:
    return next(
        reading for reading in ran.readings if (reading["quantity"], reading["state"]) == (quantity, state)
    )


def expect_hand_made_gains(ran: Ran, unit: Unit) -> None:
    """Three in four within the stated interval (k = 2), none beyond five standard uncertainties.

    The readings of one channel share the errors of one reference: where one lies outside, so may its
    neighbour.
    """
    off = [(gain["value"] - hand_made_gain_db(unit, gain)) / gain["standard"] for gain in gains(ran)]
    assert len(off) >= 3
    assert max(map(abs, off)) < 5, off
    assert sum(abs(one) <= 2.2 for one in off) >= 0.75 * len(off), off


def test_a_good_unit_passes_the_whole_job_with_the_right_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    unit = Unit()
    ran = run(capsys, JOB, ForeignBench(unit))
    assert ran.printed.code == 0, ran.printed.out
    assert ran.safe
    # What it asked the instruments to find out what they are: one output, and 2 mV a division at the finest,
    # which is asked for twice, since an error may pass by.
    assert sorted(ran.errors) == [-222, -222, -113]
    expect_hand_made_gains(ran, unit)
    # By hand, from the drawing, no plug: each leg 50 ohm into 10k, 100k, 1M and half the pad (1k5 + 1k/2).
    leg_ohm = 1 / (1 / 10e3 + 1 / 100e3 + 1 / 1e6 + 1 / 2000)
    by_hand_db = 20 * np.log10(leg_ohm / (leg_ohm + 50 + 3 * 0.06))
    bare = [
        gain for gain in gains(ran) if "no plug" in gain["setup"] and gain["state"] in ("idle", "unpowered")
    ]
    assert len(bare) == 2
    for one in bare:
        assert one["value"] == pytest.approx(by_hand_db, abs=0.01)
    silent = [reading for reading in ran.readings if reading["quantity"] == "isolation"]
    assert len(silent) == 4
    assert all(one["high"] < -95 for one in silent)
    current = {
        reading["state"]: reading["value"]
        for reading in ran.readings
        if reading["quantity"] == "supply_current"
    }
    scatter = [
        line for line in one_reading(ran, "supply_current", "idle")["budget"] if "scatter" in line["name"]
    ]
    assert 5e-6 < scatter[0]["standard"] < 2e-4  # the meter's noise is 50 µA, five times read
    assert current["insert+reverse+pad"] == pytest.approx(0.003 + 5 * 24 / 2880, rel=0.02)


FAULTS = [
    (Unit(coil_open=frozenset({"K2"})), "supply current in reverse+pad"),
    (Unit(open_leg="left.cold"), "gain left.out in idle"),
    (Unit(swapped_out="right"), "polarity right.out in idle"),
    (Unit(crosstalk_f=1e-9), "crosstalk right.out in insert"),
]


@pytest.mark.parametrize(("unit", "text"), FAULTS)
def test_a_fault_fails_the_unit_where_it_shows(
    capsys: pytest.CaptureFixture[str], short_job: Path, unit: Unit, text: str
) -> None:
    ran = run(capsys, short_job, ForeignBench(unit))
    assert ran.printed.code == 1, ran.printed.out
    assert f"FAIL {text}" in " ".join(ran.printed.out.split())
    assert ran.safe
    if not unit.crosstalk_f:
        expect_hand_made_gains(ran, unit)


@pytest.mark.parametrize(
    ("unit", "text"),
    [
        (Unit(lost_lead=3), "input 3 sees neither output"),
        (Unit(inputs_swapped=(1, 2)), "inputs 1 and 2 are swapped"),
        (Unit(dc_on="left.hot"), "DC at left.out.hot (input 1), more than 0.5 V: nothing is driven"),
    ],
)
def test_wrong_leads_and_dc_stop_the_run_without_a_verdict(
    capsys: pytest.CaptureFixture[str], short_job: Path, unit: Unit, text: str
) -> None:
    ran = run(capsys, short_job, ForeignBench(unit))
    assert ran.printed.code == 4, ran.printed.out
    assert text in ran.printed.err
    assert ran.safe


def after(messages: int) -> Callable[[str], bool]:
    """Make an instrument die at the message after so many."""
    left = [messages]

    def dies(message: str) -> bool:
        left[0] -= 1
        return left[0] < 0

    return dies


@pytest.mark.parametrize(("which", "messages"), [("scope", 400), ("generator", 60), ("supply", 30)])
def test_an_instrument_that_dies_is_named(
    capsys: pytest.CaptureFixture[str], short_job: Path, which: str, messages: int
) -> None:
    bench = ForeignBench(Unit())
    getattr(bench, which).dies_at = after(messages)
    ran = run(capsys, short_job, bench)
    assert ran.printed.code == 4, ran.printed.out
    assert ("oscilloscope" if which == "scope" else which) in ran.printed.err
    assert "the instrument closed the connection" in ran.printed.err
    assert not any(bench.world.output(n).on for n in (1, 2)) or which == "generator"
    assert not bench.supply.on or which == "supply"


def test_another_instrument_at_the_generators_address_stops_before_anything_is_switched(
    capsys: pytest.CaptureFixture[str], short_job: Path
) -> None:
    bench = ForeignBench(Unit(), stranger=True)
    ran = run(capsys, short_job, bench)
    assert ran.printed.code == 4, ran.printed.out
    assert "answers as 'Foreign Works,DMM-1,4,1.0'" in ran.printed.err
    assert set(bench.generator.heard) <= {"*IDN?", "SYSTem:ERRor?", "*CLS"}
    assert not [text for text in bench.supply.heard if text.startswith(("OUTP", "VOLT", "INST"))]


def test_at_a_real_pace_a_shared_bench_with_a_profile_beside_it_and_a_text_board(
    capsys: pytest.CaptureFixture[str], short_job: Path, tmp_path: Path
) -> None:
    """The supply takes 0.1 s to rise, relays 3 ms; the scope has words of its own, its origin in counts."""
    shared = tmp_path / "shared bench"
    shared.mkdir()
    profile = (PROFILES / "preamble-oscilloscope.toml").read_text(encoding="utf-8")
    for ours, theirs in (
        (":CHANnel{n}:SCALe", ":INPut{n}:RANGe"),
        (":CHANnel{n}:OFFSet", ":INPut{n}:CENTre"),
        ("\n[commands]\n", f"\n[scaling]\n{ORIGIN_IN_COUNTS}\n[commands]\n"),
        ("volts_per_division_v = [0.001, ", "volts_per_division_v = ["),
    ):
        assert ours in profile
        profile = profile.replace(ours, theirs)
    (shared / "other-scope.toml").write_text(profile, encoding="utf-8")
    unit = Unit()
    bench = ForeignBench(unit, speed=1.0, text_board=True, scope=OtherOscilloscope)
    ran = run(capsys, short_job, bench, folder=shared, scope_profile="other-scope")
    assert ran.printed.code == 0, ran.printed.out + ran.printed.err
    assert set(ran.errors) == {-113}  # of a supply that has one output: once in each of its sessions
    assert ran.safe
    expect_hand_made_gains(ran, unit)


def test_without_a_through_setup_a_run_goes_on_with_less_certainty(
    capsys: pytest.CaptureFixture[str], short_job: Path
) -> None:
    through = '[[setup]]\nname = "through reference"\nthrough = true\nselect = [9]\n'
    edit(short_job / "fixture.toml", through, "")
    unit = Unit()
    ran = run(capsys, short_job, ForeignBench(unit))
    assert ran.printed.code in (0, 3), ran.printed.out  # ± 0.2 dB is more than a 2 % scope can always prove
    assert "no through setup in fixture.toml" in " ".join(ran.printed.out.split())
    assert min(gain["standard"] for gain in gains(ran)) > 0.05
    expect_hand_made_gains(ran, unit)


def test_a_setup_that_needs_hands_is_refused_where_nobody_can_be_asked(
    capsys: pytest.CaptureFixture[str], short_job: Path
) -> None:
    edit(short_job / "fixture.toml", "select = [11, 14]\n", "", every=True)
    bench = ForeignBench(Unit())
    ran = run(capsys, short_job, bench)
    assert ran.printed.code == 2, ran.printed.out
    assert "'drive right, view outputs'" in ran.printed.err
    assert not bench.scope.heard


@pytest.mark.parametrize(
    ("written", "instead", "text"),
    [
        ('{ leg = "hot", ', "{ ", 'found "bus.cold", one leg; expected leg beside it'),
        ('operated = "bus.cold"', 'operated = "bus.hot"', "a contact with the same net twice"),
        ('operated = "bus.cold"', 'operated = "bus.tip"', 'or its leg as in "bus.cold"'),
    ],
)
def test_a_contact_that_crosses_legs_is_told_where_it_is_wrong(
    capsys: pytest.CaptureFixture[str], short_job: Path, written: str, instead: str, text: str
) -> None:
    edit(short_job / "module.toml", written, instead)
    printed = switchwalk(capsys, "table", str(short_job))
    assert printed.code == 2
    assert text in printed.err
    assert "module.toml:45: " in printed.err
