"""What a check may say besides its quantity, ports and limit: read, or refused at its line."""

from pathlib import Path

import pytest

from harness.errors import JobError
from harness.job.job import Job, load_job
from harness.plan.setups import partner_of
from harness.quantities.cycle import IntermittencyOptions
from harness.units import dbu_from_vrms
from tests.jobs import Edit, check_of, job_in


def load(tmp_path: Path, one: str, *edits: Edit) -> Job:
    return load_job(job_in(tmp_path / "job", one, states=["idle", "loop_a", "loop_a+swap"], edits=edits))


def test_a_check_chooses_its_states_their_lines_in_any_order(tmp_path: Path) -> None:
    job = load(tmp_path, check_of("gain", within="0.2 dB", states=["swap+loop_a", "idle"]))
    check = job.sequence.checks[0]
    assert [state.name for state in job.sequence.states if check.covers(state)] == ["idle", "loop_a+swap"]


def test_noise_is_limited_in_dbu_whatever_its_limit_was_written_in(tmp_path: Path) -> None:
    check = load(tmp_path, check_of("noise", below="1 mV")).sequence.checks[0]
    assert check.limit is not None
    assert check.limit.unit == "dBu"
    assert check.limit.high == pytest.approx(dbu_from_vrms(1e-3))


def test_contacts_are_looked_at_with_fifty_millivolts_where_nothing_is_said(tmp_path: Path) -> None:
    check = load(tmp_path, check_of("intermittency", below="30 %")).sequence.checks[0]
    assert isinstance(check.options, IntermittencyOptions)
    assert (check.tone.level_vrms, check.options.operations) == (0.05, 10)


@pytest.mark.parametrize(
    ("one", "message"),
    [
        (
            check_of("gain", within="0.2 dB", states=["loop_b"]),
            'check[1].states[1]: found "loop_b"; expected one of the sequence\'s states: idle, loop_a, ',
        ),
        (
            check_of("gain", within="0.2 dB", states=["idle", "idle"]),
            "check[1].states[2]: idle is listed twice; expected once",
        ),
        (
            check_of("gain", within="0.2 dB", weighting="A"),
            "check[1].weighting: belongs to a noise check, and to no other quantity",
        ),
        (
            check_of("noise", below="-80 dBu", level="0 dBu"),
            "check[1].level: noise uses no tone; expected neither frequency nor level",
        ),
        (
            check_of("noise", below="-80 dB"),
            'check[1].below: found "-80 dB", whose unit is "dB"; expected a level such as "+4 dBu"',
        ),
        (
            check_of("contact_resistance", below="2 ohm", level="+4 dBu"),
            "check[1].level: found 1.22765 V; expected at most 50 mV, as more would mend the contact",
        ),
        (
            check_of("coupling_capacitance", below="5 pF", frequencies=["1 kHz", "2 kHz"]),
            "check[1].frequencies: found 2; expected at least 3",
        ),
        (
            check_of("response", within="0.1 dB", frequency="1 kHz"),
            "check[1].frequency: response takes several; expected frequencies",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_line(tmp_path: Path, one: str, message: str) -> None:
    with pytest.raises(JobError) as caught:
        load(tmp_path, one)
    assert message in str(caught.value)


def test_an_unequal_source_needs_a_setup_with_the_resistor(tmp_path: Path) -> None:
    one = check_of("common_mode_rejection", at=["a_send"], source="unequal", above="60 dB")
    with pytest.raises(JobError, match=r'expected a .*source_added = { leg = "hot", series = "10 ohm" }'):
        load(tmp_path, one)


SWAPPED = """[[setup]]
name = "drive left, view sends, scope inputs swapped"
drive = "left.in"
view = ["left.a_send", "left.b_send"]
loopbacks = ["pad_a", "pad_b"]
inputs_swapped = true
select = [12, 16]

# Channels 4"""


def test_a_swapped_setup_needs_its_partner(tmp_path: Path) -> None:
    beside: Edit = ("fixture.toml", "# Channels 4", SWAPPED)
    job = load(tmp_path / "right", check_of("gain", within="0.2 dB"), beside)
    (plain,) = [setup for setup in job.fixture.setups if setup.select == (12,)]
    partner = partner_of(plain, job.fixture)
    assert partner is not None
    assert partner.select == (12, 16)
    lonely: Edit = ("fixture.toml", "# Channels 4", SWAPPED.replace(', "pad_b"', ""))
    message = (
        "inputs_swapped: no other setup is the same with unswapped inputs; expected one with the same drive"
    )
    with pytest.raises(JobError, match=message):
        load(tmp_path / "lonely", check_of("gain", within="0.2 dB"), lonely)


def test_a_swapped_through_setup_needs_a_straight_one(tmp_path: Path) -> None:
    straight = 'name = "through reference"\nthrough = true\n'
    job = load(tmp_path / "right", check_of("gain", within="0.2 dB"))
    assert [setup.inputs_swapped for setup in job.fixture.setups if setup.through] == [False, True]
    lonely: Edit = (
        "fixture.toml",
        straight,
        straight.replace("through = true", 'drive = "left.in"\nview = ["left.out"]'),
    )
    message = (
        "inputs_swapped: no other setup is the same with unswapped inputs; expected one with the same through"
    )
    with pytest.raises(JobError, match=message):
        load(tmp_path / "lonely", check_of("gain", within="0.2 dB"), lonely)
