"""Every name of a fault in docs/faults.md is one, and every kind of fault is named there."""

import re
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

from harness.errors import UsageError
from harness.job.faults import Fault, FaultKind, parse_fault
from harness.job.job import load_job
from harness.job.module import Transformer

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "faults.md").read_text(encoding="utf-8")
TABLE = TEXT.partition("## Names of faults")[2].partition("\n## ")[0]
NAMES = tuple(
    name
    for cell in re.findall(r"^\|[^|]+\|([^|]+)\|", TABLE, flags=re.MULTILINE)
    for name in re.findall(r"`([^`]+)`", cell)
)
SHIPPED = tuple(load_job(ROOT / "sequences" / name) for name in ("two_loop_switcher", "source_selector"))
WITH_MORE = replace(
    SHIPPED[0],
    module=replace(
        SHIPPED[0].module,
        relays=(
            *SHIPPED[0].module.relays,
            replace(
                SHIPPED[0].module.relays[0],
                name="U7",
                type=replace(SHIPPED[0].module.relays[0].type, is_electronic=True),
                poles=(),
            ),
        ),
        transformers=(
            Transformer(
                name="T1",
                primary=("left.in.hot", "left.in.cold"),
                secondary=("left.out.hot", "left.out.cold"),
                ratio=1.0,
                primary_ohm=45.0,
                secondary_ohm=45.0,
                magnetising_h=3.0,
                leakage_h=0.0,
                tolerance=0.2,
            ),
        ),
    ),
)
FOUR = replace(
    SHIPPED[0], module=replace(SHIPPED[0].module, channels=("ch1", "ch2", "ch3", "ch4"), relays=())
)
LATCHING = load_job(ROOT / "tests" / "latching" / "line_selector")
SINGLE_COIL = replace(
    LATCHING,
    module=replace(
        LATCHING.module,
        relays=tuple(replace(relay, single_coil=relay.latches) for relay in LATCHING.module.relays),
    ),
)
PANEL = load_job(ROOT / "sequences" / "monitor_panel")
JOBS = (*SHIPPED, WITH_MORE, FOUR, LATCHING, SINGLE_COIL, PANEL)


def _faults(name: str) -> tuple[Fault, ...]:
    """The faults of this name, in whichever of the shipped jobs has them."""
    refusals = []
    for job in JOBS:
        try:
            return parse_fault(name, job.module, job.fixture)
        except UsageError as error:
            refusals.append(str(error))
    raise AssertionError("\n".join(refusals))


@pytest.mark.parametrize("name", NAMES)
def test_a_name_of_a_fault_is_one(name: str) -> None:
    assert [fault.name for fault in _faults(name)] == [name]


def test_every_kind_of_fault_is_named() -> None:
    assert {fault.kind for name in NAMES for fault in _faults(name)} == set(get_args(FaultKind))
