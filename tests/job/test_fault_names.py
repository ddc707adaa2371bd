"""Faults have short stable names, that read back as the same faults."""

from collections import Counter
from pathlib import Path

import pytest

from harness.errors import UsageError
from harness.job.faults import Fault, parse_fault, single_faults
from harness.job.job import Job, load_job

SEQUENCES = Path(__file__).parents[2] / "sequences"


@pytest.fixture(
    scope="module", params=["two_loop_switcher", "source_selector", "stepped_attenuator", "monitor_panel"]
)
def any_job(request: pytest.FixtureRequest) -> Job:
    return load_job(SEQUENCES / request.param)


@pytest.fixture(scope="module")
def switcher() -> Job:
    return load_job(SEQUENCES / "two_loop_switcher")


@pytest.fixture(scope="module")
def selector() -> Job:
    return load_job(SEQUENCES / "source_selector")


def test_every_fault_of_a_job_has_a_name_of_its_own_that_reads_back(any_job: Job) -> None:
    faults = single_faults(any_job.module, any_job.fixture)
    names = [fault.name for fault in faults]
    assert [name for name, times in Counter(names).items() if times > 1] == []
    for fault in faults[::11]:  # reading one builds the whole list anew
        assert parse_fault(fault.name, any_job.module, any_job.fixture) == (fault,)


@pytest.mark.parametrize(
    "name",
    [
        "K3 never operates",
        "K3 always operated",
        "K3 coil open",
        "K3 coil shorted",
        "K1.1.hot stuck released",
        "K1.1.hot released stuck open",
        "K1.1.hot operated stuck closed",
        "K1.1.hot released 10 ohm",
        "K1.1.hot operated 2.5 ohm",
        "left.out.cold open",
        "left.out.hot grounded",
        "left.out legs swapped",
        "left.out legs shorted",
        "out.hot bridged",
        "out channels swapped",
        "control line swap dead",
        "control lines loop_a and loop_b swapped",
        "left.pad_a missing",
        "left.pad_a straight",
        "left.pad_a legs swapped",
        "pad_a channels swapped",
    ],
)
def test_the_names_that_records_keep_do_not_change(switcher: Job, name: str) -> None:
    (fault,) = parse_fault(name, switcher.module, switcher.fixture)
    assert fault.name == str(fault) == name


@pytest.mark.parametrize(
    "name", ["R1.hot open", "R1.hot shorted", "R1.hot tenfold", "R1.hot a tenth", "R2.cold open"]
)
def test_parts_fail_by_name(selector: Job, name: str) -> None:
    (fault,) = parse_fault(name, selector.module, selector.fixture)
    assert fault.name == name


def test_a_fault_says_what_is_wrong_in_fields(switcher: Job) -> None:
    read = parse_fault("  K1.1.HOT   released 3 ohm + left.out.cold open", switcher.module, switcher.fixture)
    assert read == (
        Fault(kind="throw resistance", subject="K1.1.hot", throw="released", resistance_ohm=3.0),
        Fault(kind="leg open", subject="out", channel="left", leg="cold"),
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("K33 never operates", 'no such fault: "K33 never operates"; did you mean K3 never operates?'),
        (
            "K1 never",
            'no such fault: "K1 never"; expected one of K1 never operates, K1 long bounce, K1 coil open, '
            "K1 slow to operate",
        ),
        ("left.oot.cold open", 'no such fault: "left.oot.cold open"; did you mean left.out.cold open?'),
        ("", 'no such fault: ""; expected one such as K1 never operates'),
        ("K1 never operates + nonsense", 'no such fault: "nonsense"; expected one such as K1 never operates'),
        (
            "K1 coil open + K1 coil open",
            '"K1 coil open" is listed twice in "K1 coil open + K1 coil open"; expected every fault once',
        ),
        (
            "K1.1.hot released 10",
            'fault "K1.1.hot released 10": found "10", which has no unit; expected a resistance '
            'such as "50 mohm"',
        ),
    ],
)
def test_what_is_no_fault_is_told_with_the_nearest_there_is(switcher: Job, text: str, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_fault(text, switcher.module, switcher.fixture)
    assert str(caught.value) == message


def test_a_bad_contact_is_listed_at_1_10_and_100_ohm_for_each_throw_and_leg(switcher: Job) -> None:
    faults = single_faults(switcher.module, switcher.fixture)
    listed = Counter(fault.name for fault in faults if fault.kind == "throw resistance")
    throws = 10 * 2 * 2  # relays, legs, throws
    assert len(listed) == 3 * throws
    assert {f"K1.1.cold operated {ohm} ohm" for ohm in (1, 10, 100)} < set(listed)
    once = single_faults(switcher.module, switcher.fixture, contact_ohm=(10.0,))
    assert len(faults) - len(once) == 2 * throws


def test_plugs_that_are_alike_in_both_channels_cannot_be_swapped(selector: Job, switcher: Job) -> None:
    kinds = Counter(fault.kind for fault in single_faults(switcher.module, switcher.fixture))
    assert kinds["loopback channels swapped"] == 2
    assert not any(
        fault.kind.startswith("loopback") for fault in single_faults(selector.module, selector.fixture)
    )


@pytest.mark.parametrize(
    "text",
    [
        "K3 never operates + K3 always operated",
        "K3 coil open + K3 coil shorted",
        "K1.1.hot released stuck open + K1.1.hot released 10 ohm",
    ],
)
def test_faults_that_contradict_each_other_are_refused(text: str, switcher: Job) -> None:
    with pytest.raises(UsageError, match="contradict each other; expected one of them"):
        parse_fault(text, switcher.module, switcher.fixture)


def test_faults_that_can_come_together_are_taken(switcher: Job) -> None:
    assert len(parse_fault("K3 never operates + K4 never operates", switcher.module, switcher.fixture)) == 2
