"""What a check may say besides its quantity, ports and limit: read, or refused at its line."""

import shutil
from pathlib import Path

import pytest

from harness.errors import JobError
from harness.job.load import load_job
from harness.quantities.cycle import IntermittencyOptions
from harness.units import vrms_from_dbu

SEQUENCES = Path(__file__).parents[2] / "sequences"
HEAD = """
[sequence]
name = "One check"
states = ["rest", "loop_a", "loop_a+swap"]
tone = { frequency = "1 kHz", level = "+4 dBu" }
settle = "20 ms"

[[check]]
name = "One"
"""


def load(tmp_path: Path, check: str, fixture: tuple[str, str] = ("", "")):
    folder = tmp_path / "job"
    shutil.copytree(SEQUENCES / "two_loop_switcher", folder)
    (folder / "sequence.toml").write_text(HEAD + check, encoding="utf-8")
    text = (folder / "fixture.toml").read_text(encoding="utf-8")
    assert fixture[0] in text
    (folder / "fixture.toml").write_text(text.replace(*fixture), encoding="utf-8")
    return load_job(folder)


def test_a_check_chooses_its_states_their_lines_in_any_order(tmp_path: Path) -> None:
    job = load(
        tmp_path, 'quantity = "gain"\nat = ["out"]\nwithin = "0.2 dB"\nstates = ["swap+loop_a", "rest"]\n'
    )
    check = job.sequence.checks[0]
    assert [state.name for state in job.sequence.states if check.covers(state)] == ["rest", "loop_a+swap"]


def test_noise_is_limited_in_dbu_whatever_its_limit_was_written_in(tmp_path: Path) -> None:
    check = load(tmp_path, 'quantity = "noise"\nat = ["out"]\nbelow = "1 mV"\n').sequence.checks[0]
    assert check.limit is not None
    assert check.limit.unit == "dBu"
    assert vrms_from_dbu(check.limit.high) == pytest.approx(1e-3)


def test_contacts_are_looked_at_with_fifty_millivolts_where_nothing_is_said(tmp_path: Path) -> None:
    check = load(tmp_path, 'quantity = "intermittency"\nat = ["out"]\nbelow = "30 %"\n').sequence.checks[0]
    assert isinstance(check.options, IntermittencyOptions)
    assert (check.tone.level_vrms, check.options.operations) == (0.05, 10)


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (
            'quantity = "gain"\nat = ["out"]\nwithin = "0.2 dB"\nstates = ["loop_b"]\n',
            'check[1].states[1]: found "loop_b"; expected one of the sequence\'s states: rest, loop_a, ',
        ),
        (
            'quantity = "gain"\nat = ["out"]\nwithin = "0.2 dB"\nstates = ["rest", "rest"]\n',
            "check[1].states[2]: rest stands here twice; expected once",
        ),
        (
            'quantity = "gain"\nat = ["out"]\nwithin = "0.2 dB"\nweighting = "A"\n',
            "check[1].weighting: belongs to a noise check, and to no other quantity",
        ),
        (
            'quantity = "noise"\nat = ["out"]\nbelow = "-80 dBu"\nlevel = "0 dBu"\n',
            "check[1].level: noise uses no tone; expected neither frequency nor level",
        ),
        (
            'quantity = "noise"\nat = ["out"]\nbelow = "-80 dB"\n',
            'check[1].below: found "-80 dB", whose unit is "dB"; expected a level such as "+4 dBu"',
        ),
        (
            'quantity = "contact_resistance"\nat = ["out"]\nbelow = "2 ohm"\nlevel = "+4 dBu"\n',
            "check[1].level: found 1.22765 V; expected at most 50 mV, as more would mend the contact",
        ),
        (
            'quantity = "capacitance"\nat = ["out"]\nbelow = "5 pF"\nfrequencies = ["1 kHz", "2 kHz"]\n',
            "check[1].frequencies: found 2; expected at least 3",
        ),
        (
            'quantity = "response"\nat = ["out"]\nwithin = "0.1 dB"\nfrequency = "1 kHz"\n',
            "check[1].frequency: response takes several; expected frequencies",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_line(tmp_path: Path, check: str, said: str) -> None:
    with pytest.raises(JobError) as caught:
        load(tmp_path, check)
    assert said in str(caught.value)


def test_an_unequal_source_needs_a_hookup_with_the_resistor(tmp_path: Path) -> None:
    check = 'quantity = "common_mode_rejection"\nsource = "unequal"\nat = ["a_send"]\nabove = "60 dB"\n'
    with pytest.raises(JobError, match=r'expected a .*source_added = { leg = "hot", series = "10 ohm" }'):
        load(tmp_path, check)


def test_an_exchanged_hookup_needs_its_partner(tmp_path: Path) -> None:
    check = 'quantity = "gain"\nat = ["out"]\nwithin = "0.2 dB"\n'
    right = 'view = ["left.in", "left.out"]\nlinks = ["key_a", "key_b"]\nexchanged = true'
    lonely = (right, right.replace(', "key_b"', ""))
    with pytest.raises(JobError, match="exchanged: no hookup is the partner of this one"):
        load(tmp_path, check, lonely)
