"""The steady quantities end to end: shipped fixtures, a simulated bench, real drivers and records."""

import cmath
import math
import re
from pathlib import Path

import pytest

from harness.reading import Reading
from harness.records.store import open_records
from tests.cli.commands import switchwalk
from tests.jobs import TELLING_STATES, in_states, with_checks_of
from tests.known import known

SEQUENCES = Path(__file__).resolve().parents[2] / "sequences"
RARELY = 4.5  # standard uncertainties: no reading of a hundred is further out in a thousand runs but one


def checks_of_a_good_unit(capsys: pytest.CaptureFixture[str], job: str, *quantities: str) -> list[Reading]:
    """Some checks of a shipped job, in the states that tell its faults: a good unit passes all of them.

    `make demo` makes all checks of the third job in all states.
    """
    folder = with_checks_of(SEQUENCES / job, Path(job), *quantities)
    readings = run(capsys, in_states(folder, TELLING_STATES[job]))
    assert {reading.verdict for reading in readings} == {"pass"}
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        (line,) = store.runs()
        assert line.outcome == "pass"
        assert store.run(line.run_id).header.planned_readings == len(readings)
    assert {reading.key.measurand.quantity for reading in readings} >= set(quantities)
    return readings


def run(capsys: pytest.CaptureFixture[str], job: Path, *more: str) -> list[Reading]:
    switchwalk(
        capsys, "run", str(job), "--serial", "OB-7", "--simulate", "--speed", "20", "--again", "anew", *more
    )
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        return store.readings(max(one.run_id for one in store.runs()))


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def value(reading: Reading) -> float:
    return known(reading.estimate).value


def standard(reading: Reading) -> float:
    return known(known(reading.estimate).standard)


def half_width(reading: Reading) -> float:
    estimate = known(reading.estimate)
    return (estimate.high - estimate.low) / 2


def of(readings: list[Reading], quantity: str) -> list[Reading]:
    result = [reading for reading in readings if reading.key.measurand.quantity == quantity]
    assert result
    return result


def test_a_good_attenuator_passes_with_its_contacts_noise_and_response_as_they_must_be(
    capsys: pytest.CaptureFixture[str],
) -> None:
    readings = checks_of_a_good_unit(
        capsys, "stepped_attenuator", "contact_resistance", "response", "noise", "distortion"
    )
    for reading in of(readings, "contact_resistance"):
        # Twelve contacts a leg, each of 50 to 95 mohm by the simulated unit's own draw.
        assert known(reading.estimate).high > 24 * 0.050
        assert known(reading.estimate).low < 24 * 0.095
        if not known(reading.estimate).floor:
            parts = {part.name for part in known(reading.estimate).budget}
            assert parts >= {"tolerance of the load", "tolerance of the source", "noise"}
    for reading in of(readings, "response"):
        # Resistors alone: flat, by the closed form.
        assert abs(value(reading)) <= RARELY * standard(reading)
        assert reading.key.measurand.frequency_hz in (20.0, 100.0, 10e3, 20e3)
    noise = of(readings, "noise")
    # Thermal noise of 700 ohm is -125 dBu (Nyquist): what is read is where the bench's own noise ends. One in
    # 44 stands two standard uncertainties above that by chance, and all share the bench's record.
    assert sum(known(reading.estimate).floor for reading in noise) >= 0.8 * len(noise)
    assert all(known(reading.estimate).high < -85 for reading in noise)
    assert {reading.unit for reading in noise} == {"dBu"}
    assert all(reading.unit == "%" for reading in of(readings, "distortion"))


def test_a_good_selector_passes_and_its_open_contacts_have_their_picofarads(
    capsys: pytest.CaptureFixture[str],
) -> None:
    readings = checks_of_a_good_unit(
        capsys, "source_selector", "coupling_capacitance", "common_mode_rejection"
    )
    for reading in of(readings, "coupling_capacitance"):
        # module.toml's off_capacitance is 1 pF; the simulated contact has 0.7 to 1.0 of it, and 0.1 to 2 pF
        # lie beside it, between the tracks of neighbouring nets.
        assert 0.65e-12 < value(reading) < 3.15e-12
        assert (reading.unit, reading.verdict, reading.key.measurand.frequency_hz) == ("F", "pass", None)


def test_a_bad_contact_shows_as_ohms(capsys: pytest.CaptureFixture[str]) -> None:
    job = with_checks_of(SEQUENCES / "stepped_attenuator", Path("job"), "contact_resistance")
    in_states(job, ("idle",))
    left, right = of(run(capsys, job, "--fault", "K1.1.hot released 3 ohm"), "contact_resistance")
    assert {left.key.measurand.channel: left.verdict, right.key.measurand.channel: right.verdict} == {
        "left": "fail",
        "right": "pass",
    }
    bad, good = (left, right) if left.key.measurand.channel == "left" else (right, left)
    for reading, ohm in ((bad, 3.0), (good, 0.0)):
        # Twelve contacts a leg, each of 50 to 95 mohm by the simulated unit's own draw; up to three have the
        # fault's ohms in their place.
        assert known(reading.estimate).low < ohm + 24 * 0.095
        assert known(reading.estimate).high > ohm + 21 * 0.050


def test_a_line_that_does_not_come_is_caught_in_every_operation(capsys: pytest.CaptureFixture[str]) -> None:
    job = with_checks_of(SEQUENCES / "two_loop_switcher", Path("job"), "intermittency")
    in_states(job, ("idle", "loop_a", "swap"))
    readings = of(run(capsys, job, "--fault", "K1 never operates"), "intermittency")
    bad = [reading for reading in readings if reading.verdict != "pass"]
    assert [
        (reading.key.measurand.where, reading.key.measurand.state, reading.verdict) for reading in bad
    ] == [("left.out", "loop_a", "fail")]
    assert value(bad[0]) == 1.0
    assert "10 of 10 operations failed" in bad[0].reason
    # Clopper and Pearson, none of ten: 1 - 0.05^(1/10)
    good = next(reading for reading in readings if reading.verdict == "pass")
    assert known(good.estimate).high == pytest.approx(0.2589, abs=1e-4)


def test_a_good_switcher_passes_and_ten_ohm_in_a_leg_convert_what_the_circuit_says(
    capsys: pytest.CaptureFixture[str],
) -> None:
    job = with_checks_of(SEQUENCES / "two_loop_switcher", Path("job"), "common_mode_rejection")
    readings = of(run(capsys, job), "common_mode_rejection")
    assert {reading.verdict for reading in readings} == {"pass"}
    assert len(readings) == 4
    for reading in readings:
        assert reading.expected is not None
        # Of four intervals of k = 2 one lies beside the truth once in six runs; of k = 4, once in thousands.
        below, above = (
            2 * (value(reading) - known(reading.estimate).low),
            2 * (known(reading.estimate).high - value(reading)),
        )
        assert value(reading) - below < reading.expected.value < value(reading) + above
    unequal = [reading for reading in readings if "10 ohm" in reading.key.check]
    assert all(value(reading) < 44 for reading in unequal)


def test_a_capacitor_from_one_leg_to_earth_turns_it_by_the_closed_form(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """1/(1 + j 2 pi f R C): R is the source's 50 ohm beside both plugs and half the load; no C elsewhere."""
    job = with_checks_of(
        SEQUENCES / "two_loop_switcher", Path("job"), "leg_phase_error", "channel_phase_difference"
    )
    sequence, module = job / "sequence.toml", job / "module.toml"
    only_idle = sequence.read_text(encoding="utf-8").replace('["all", "unpowered"]', '["idle"]')
    sequence.write_text(only_idle, encoding="utf-8")
    capacitor = """
[[capacitor]]
name = "C1"
channel = "right"
leg = "hot"
to_ground = "out"
value = "220 nF"
tolerance = "1 %"
"""
    module.write_text(module.read_text(encoding="utf-8") + capacitor, encoding="utf-8")
    readings = run(capsys, job)
    beside_ohm = 1 / (1 / 50 + 1 / (622 + 1103) + 1 / (3008 + 5109) + 1 / 5000)
    hot = 1 / (1 + 2j * math.pi * 1e3 * beside_ohm * 220e-9)
    legs = {one.key.measurand.where: one for one in of(readings, "leg_phase_error")}
    (channels,) = of(readings, "channel_phase_difference")
    turned = math.degrees(cmath.phase(hot))  # -3.78; the capacitor's 1 % is 0.04
    for reading, true in (
        (legs["left.out"], 0.0),
        (legs["right.out"], turned),
        (channels, 0.0),  # the driven port is the same wire, and turns alike
    ):
        half = half_width(reading)
        assert half < 0.15
        assert value(reading) == pytest.approx(true, abs=1.5 * half + 0.04)  # k = 3: once in 370
    assert {one.verdict for one in readings} == {"pass"}  # as predicted, of this module


def test_swapped_inputs_make_the_balance_sure(capsys: pytest.CaptureFixture[str]) -> None:
    job = with_checks_of(SEQUENCES / "two_loop_switcher", Path("job"), "leg_gain_difference")
    fixture = job / "fixture.toml"
    sequence = job / "sequence.toml"
    text = sequence.read_text(encoding="utf-8").replace('["all", "unpowered"]', '["loop_a+loop_b"]')
    sequence.write_text(text, encoding="utf-8")
    tight = of(run(capsys, job), "leg_gain_difference")
    head, *setups = fixture.read_text(encoding="utf-8").split("[[setup]]")
    kept = [setup for setup in setups if "inputs_swapped = true" not in setup]
    fixture.write_text("[[setup]]".join([head, *kept]), encoding="utf-8")
    loose = of(run(capsys, job), "leg_gain_difference")
    for one, other in zip(tight, loose, strict=True):
        assert standard(one) < standard(other) / 4
        assert abs(value(one) - value(other)) < 2 * (standard(one) + standard(other))
        assert abs(value(one) - known(one.expected).value) < 2 * (
            standard(one) + known(known(one.expected).standard)
        )


def test_a_kept_reference_serves_a_run_and_shows_its_drift(capsys: pytest.CaptureFixture[str]) -> None:
    job = with_checks_of(
        SEQUENCES / "stepped_attenuator", Path("job"), "contact_resistance", "noise", "distortion"
    )
    in_states(job, ("idle", "db_32"))
    bench = ("--simulate", "--speed", "20")
    nothing = switchwalk(
        capsys, "run", str(job), "--serial", "OB-7", *bench, "--reference", "kept"
    )  # fmt: skip
    assert nothing.code == 2
    assert "`switchwalk reference` makes one" in nothing.err
    first = switchwalk(capsys, "reference", str(job), *bench, "--temperature", "22.5")
    assert first.code == 0
    assert "there is no earlier one to compare with" in first.out
    assert "and the bench's own noise and harmonics, kept" in first.out
    second = switchwalk(capsys, "reference", str(job), *bench)
    assert "at 22.5 degrees Celsius" in second.out
    drifts = [line for line in second.out.splitlines() if line.startswith("  ")]
    assert [line.split(":")[0].strip() for line in drifts if "inputs" in line] == [
        "noise, inputs 1-2", "noise, inputs 3-4",
        "harmonics of 1000 Hz, 3.88 V, inputs 1-2", "harmonics of 1000 Hz, 3.88 V, inputs 3-4",
    ]  # fmt: skip
    for line in drifts:  # nothing drifts in a simulated bench
        if "noise" in line:
            change, bound = re.findall(r"[-+]?\d+\.\d\d", line.split("dBu, ")[1])
            assert abs(float(change)) < 2 * float(bound)
    ran = switchwalk(capsys, "run", str(job), "--serial", "OB-7", *bench, "--reference", "kept")
    assert ran.code == 0, ran.out
    assert "kept through reference, 0 minutes old" in ran.out
    assert "get only upper bounds" not in ran.out
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        readings = store.readings(1)
    harmonic = [one for one in readings if one.key.check == "Harmonic distortion"]
    for reading in harmonic:  # the generator's own 0.03 % or so are taken off
        assert (
            known(reading.estimate).high < 0.003
        )  # which alone is its share where nothing is known of the bench
    bench_dbu = min(float(line.split()[3]) for line in drifts if "noise" in line)
    for reading in [
        one for one in readings if one.key.check == "Noise"
    ]:  # what the bench adds by itself is off
        assert known(reading.estimate).high < bench_dbu - 3


def test_a_run_without_a_reference_says_what_it_loses_and_goes_on(
    capsys: pytest.CaptureFixture[str],
) -> None:
    job = with_checks_of(SEQUENCES / "stepped_attenuator", Path("job"), "contact_resistance", "distortion")
    in_states(job, ("idle",))
    bench = ("--simulate", "--speed", "20")
    ran = switchwalk(capsys, "run", str(job), "--serial", "OB-7", *bench, "--reference", "none")
    assert ran.code == 3
    assert "no through reference: the scope's gain accuracy is part of every reading" in ran.out
    assert "not observable here" in ran.out
