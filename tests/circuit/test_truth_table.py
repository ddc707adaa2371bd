"""The truth table: which rows, from which setup, and how it is laid out and handed to another program."""

import json
from collections.abc import Sequence
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from harness.circuit.elements import BenchImpedances
from harness.circuit.truth import TruthRow, truth_table
from harness.cli.jobs import truth_as_table, truth_data
from harness.job.fixture import Fixture
from harness.job.job import load_job
from harness.job.module import Module, Part
from harness.job.state import State, all_states
from tests.circuit import boards

SEQUENCES = Path(__file__).parents[2] / "sequences"
IDLE = State(on=())


def rows_of(module: Module, fixture: Fixture, states: tuple[State, ...] = (IDLE,)) -> tuple[TruthRow, ...]:
    return truth_table(module, fixture, states, frequency_hz=1e3, impedances=BenchImpedances())


def test_a_port_is_computed_in_the_first_setup_that_drives_and_views_it() -> None:
    light, heavy = boards.setup(view=["left.out"]), boards.setup(view=["left.out"], loopbacks=["load"])
    first, second = replace(light, name="first"), replace(heavy, name="second")
    module = boards.module(resistors=boards.in_series("R1", "in", "out", 1e3))
    fixture = replace(boards.fixture(first), setups=(first, second))
    assert [row.setup for row in rows_of(module, fixture)] == ["first"]


def test_an_output_that_nothing_views_is_said_to_be_so() -> None:
    setup = boards.setup(view=["left.in"])
    (row,) = rows_of(boards.module(), boards.fixture(setup))
    assert (row.port, row.setup, row.route, row.gain_db) == ("left.out", None, None, None)
    assert "not viewed" in printed([row])


def test_swapped_legs_are_inverted() -> None:
    setup = boards.setup()
    module = boards.module(
        resistors=[
            Part(name=f"R{ours}", a=f"left.in.{ours}", b=f"left.out.{theirs}", value=10, tolerance=0)
            for ours, theirs in (("hot", "cold"), ("cold", "hot"))
        ]
    )
    (row,) = rows_of(module, boards.fixture(setup))
    assert (row.polarity, row.live) == ("inverted", True)


def test_a_port_that_nothing_reaches_has_no_level_and_no_polarity() -> None:
    setup = boards.setup()
    (row,) = rows_of(boards.module(), boards.fixture(setup))
    assert (row.route, row.live, row.gain_db, row.polarity) == ("silent", False, None, None)
    assert "nothing" in printed([row])


@pytest.mark.parametrize("name", ["two_loop_switcher", "source_selector", "stepped_attenuator"])
def test_a_shipped_job_has_a_row_for_every_state_and_prints_in_80_columns(name: str) -> None:
    job = load_job(SEQUENCES / name)
    states = all_states(job.module.control_names)
    rows = rows_of(job.module, job.fixture, states)
    drives = {setup.drive for setup in job.fixture.setups if setup.drive is not None}
    assert {row.driven for row in rows} == {str(drive) for drive in drives}
    for driven in drives:
        assert {row.state for row in rows if row.driven == str(driven)} == {state.name for state in states}
    assert json.loads(json.dumps(truth_data(job, rows)))["rows"][0]["state"] == "idle"
    text = printed(rows)
    assert max(map(len, text.splitlines())) <= 80
    assert "…" not in text
    assert "\x1b" not in text


def test_the_order_of_two_loops_reads_in_the_table() -> None:
    job = load_job(SEQUENCES / "two_loop_switcher")
    rows = rows_of(job.module, job.fixture, all_states(job.module.control_names))
    routes = {row.state: row.route for row in rows if (row.driven, row.port) == ("left.in", "left.out")}
    assert routes["loop_a+loop_b"] == "in > a_send > pad_a > a_return > b_send > pad_b > b_return > out"
    assert routes["loop_a+loop_b+swap"] == "in > b_send > pad_b > b_return > a_send > pad_a > a_return > out"


def test_a_long_state_is_folded_after_a_plus() -> None:
    row = TruthRow(
        driven="left.in",
        state="db_1+db_2+db_4+db_8+db_16+db_32",
        port="left.out",
        setup="h",
        route="in > out",
        live=True,
        gain_db=-63.0,
        polarity="normal",
    )
    folded = [line.split()[0] for line in printed([row]).splitlines() if "db_" in line]
    assert folded == ["db_1+db_2+db_4+db_8+", "db_16+db_32"]


def printed(rows: Sequence[TruthRow]) -> str:
    out = StringIO()
    Console(file=out, width=80).print(truth_as_table(rows))
    return out.getvalue()
