"""Parts that join channels, as a mono sum: what is led across is predicted, and is no crosstalk."""

from pathlib import Path

import pytest

from harness.errors import JobError
from harness.faults.coverage import cover
from harness.job.faults import single_faults
from harness.job.job import Job, load_job
from harness.measure.tones import choose_tones
from harness.plan.build import build_plan
from harness.plan.model import Plan
from tests.jobs import check_of
from tests.parts.box import (
    BENCH,
    agree_with_ngspice,
    agree_with_simulated_units,
    all_at_once_as_one_by_one,
    box,
    mute,
)

MONO = """
[[relay]]
names = { left = "K1", right = "K2" }
control = "go"
type = "signal"
contacts = [{ common = "out", operated = "mono" }]
[[resistor]]
names = { left = "R1", right = "R2" }
series = ["in", "out"]
value = "1 kohm"
tolerance = "0.1 %"
[[resistor]]
name = "R3"
series = ["left.mono", "right.mono"]
value = "1 kohm"
tolerance = "0.1 %"
"""
SEPARATE = check_of("crosstalk", name="Crosstalk", below="-60 dB")
SUMMED = check_of("crosstalk", name="Sum", within="0.5 dB")
GAIN = check_of("gain", within="0.2 dB")


@pytest.fixture
def summed(tmp_path: Path) -> Job:
    return load_job(box(tmp_path, MONO, GAIN, SEPARATE, SUMMED))


def planned(job: Job) -> Plan:
    return build_plan(job, impedances=BENCH)


def test_the_other_channel_gets_what_the_resistors_lead_there(summed: Job) -> None:
    """Closed form: the other channel's load, its scope input and its own way back to a source of 50 ohm."""
    plan = planned(summed)
    (reading,) = [
        one for one in plan.readings if one.key.check == "Sum" and one.measurand.driven == "left.in"
    ]
    prediction = plan.predictions[reading.captures[0]]
    view = reading.given.views[0]
    h = prediction.transfer
    level = abs(h[view.rows[0], 0] / h[view.driven_rows[0], 0])
    end_ohm = 1 / (1 / 10e3 + 1 / 1e6 + 1 / 1050.0)
    assert choose_tones(1e3).frequencies_hz[0] == pytest.approx(1e3, rel=0.05)
    assert level == pytest.approx(end_ohm / (end_ohm + 1e3 + 0.1), rel=1e-3)


def test_an_upper_limit_is_read_where_the_channels_are_apart_and_the_others_where_they_are_joined(
    summed: Job,
) -> None:
    readings = planned(summed).readings
    assert {one.measurand.state for one in readings if one.key.check == "Crosstalk"} == {"idle"}
    assert {one.measurand.state for one in readings if one.key.check == "Sum"} == {"go"}


@pytest.mark.parametrize(
    ("check", "state"), [(SEPARATE, "go"), (SUMMED, "idle")], ids=["below where joined", "within where apart"]
)
def test_a_limit_that_means_nothing_in_a_state_is_refused(tmp_path: Path, check: str, state: str) -> None:
    job = load_job(box(tmp_path, MONO, check + f'states = ["{state}"]\n'))
    with pytest.raises(JobError, match=r"`below` is read where .* no path joins the channels"):
        planned(job)


def test_a_capacitance_is_not_read_where_a_path_joins_the_channels(tmp_path: Path) -> None:
    check = check_of("coupling_capacitance", coupling="crosstalk", below="10 pF")
    job = load_job(box(tmp_path, MONO, check))
    assert {one.measurand.state for one in planned(job).readings} == {"idle"}


def test_a_part_between_channels_is_one_in_each_leg(summed: Job) -> None:
    assert [
        (part.name, part.a, part.b) for part in summed.module.resistors if part.name.startswith("R3")
    ] == [
        ("R3.hot", "left.mono.hot", "right.mono.hot"),
        ("R3.cold", "left.mono.cold", "right.mono.cold"),
    ]


def test_one_entry_sums_every_channel_onto_one_bus(tmp_path: Path) -> None:
    """A net alone is of the part's own channel, `left.bus` of that one."""
    bus = """
[[resistor]]
names = { left = "R1", right = "R2" }
series = ["in", "left.bus"]
value = "10 kohm"
[[resistor]]
names = { left = "R3", right = "R4" }
series = ["left.bus", "out"]
value = "100 ohm"
"""
    job = load_job(box(tmp_path, bus + mute(("left", "right")), GAIN))
    ends = {part.name: (part.a, part.b) for part in job.module.resistors}
    assert ends["R2.hot"] == ("right.in.hot", "left.bus.hot")
    assert ends["R4.cold"] == ("left.bus.cold", "right.out.cold")


def test_a_contact_joins_channels_as_well(tmp_path: Path) -> None:
    relay = """
[[relay]]
name = "K3"
control = "go"
type = "signal"
contacts = [{ common = "left.out", operated = "right.out" }]
[[resistor]]
names = { left = "R1", right = "R2" }
series = ["in", "out"]
value = "1 kohm"
"""
    job = load_job(box(tmp_path, relay, GAIN))
    (hot, _) = job.module.relays[0].poles
    assert (hot.name, hot.channel, hot.common, hot.operated) == (
        "K3.1.hot", "left", "left.out.hot", "right.out.hot"
    )  # fmt: skip
    agree_with_ngspice(job, tmp_path)


def test_harness_simulator_and_ngspice_agree(summed: Job, tmp_path: Path) -> None:
    agree_with_ngspice(summed, tmp_path)
    parts = [fault for fault in single_faults(summed.module, summed.fixture) if fault.kind.startswith("part")]
    assert agree_with_simulated_units(summed, parts) > 40
    all_at_once_as_one_by_one(summed)


def test_the_sum_s_own_resistor_is_covered(summed: Job) -> None:
    result = cover(summed, planned(summed))
    seen = {one.fault.name: one.by for one in result.seen}
    assert seen["R3.hot open"].startswith(("crosstalk at right.out, go", "crosstalk at left.out, go"))


JOINED = 'series = ["left.mono", "right.mono"]'
ONE_PART = "every end names its channel, so this is one part"
WRONG = [
    (JOINED, 'series = ["left.mono", "middle.mono"]', "expected a net, with one of left, right before it"),
    (JOINED, 'series = ["left.mono.hot", "right.mono"]', "expected leg beside"),
    ('name = "R3"', 'names = { left = "R3", right = "R4" }', ONE_PART),
    ('name = "R3"', 'name = "R3"\nchannel = "left"', ONE_PART),
    ('common = "out"', 'common = "left.out"', "so this is one part"),
    (JOINED, 'series = ["left.mono", "left.mno"]', "nothing else is on net mno"),
]  # fmt: skip


@pytest.mark.parametrize(("right", "wrong", "message"), WRONG)
def test_a_wrong_end_is_told(tmp_path: Path, right: str, wrong: str, message: str) -> None:
    text = MONO.replace(right, wrong)
    text = text.replace('operated = "mono"', 'operated = "left.mono"') if "left.out" in wrong else text
    with pytest.raises(JobError) as caught:
        load_job(box(tmp_path, text, GAIN))
    assert message in str(caught.value)
