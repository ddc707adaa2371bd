"""docs/files.md tells every key that a job's files may hold, and no other; its examples are a job."""

import re
from dataclasses import MISSING
from pathlib import Path
from typing import Any

import pytest
from pydantic import create_model

from harness.bench_file import (
    BenchFile,
    BenchHead,
    GeneratorFile,
    OscilloscopeFile,
    SupplyFile,
    SwitchboardFile,
    WireFile,
)
from harness.circuit.elements import BenchImpedances
from harness.job.fixture import (
    Connector,
    ConnectorPins,
    Loopback,
    LoopbackLeg,
    LoopbackLegs,
    MeasuredPlug,
    Setup,
    SourceAdded,
    Termination,
)
from harness.job.job import load_job
from harness.job.module import (
    ContactEntry,
    ModuleFile,
    ModuleHead,
    ModuleSupply,
    PortEntry,
    RelayEntry,
    RelayType,
    SwitchEntry,
)
from harness.job.part_entries import (
    AmplifierEntry,
    CapacitorEntry,
    InductorEntry,
    LinkEntry,
    ResistorEntry,
    SwitchType,
    TransformerEntry,
)
from harness.job.read_fixture import FixtureFile, FixtureHead
from harness.job.sequence import CHECK_OF_ANY, CheckEntry, SequenceFile, SequenceHead, Tone
from harness.plan.build import build_plan
from harness.quantities.registry import QUANTITIES
from harness.toml_files.values import keys_of, model_within

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "files.md").read_text(encoding="utf-8")
OPTIONS: dict[str, Any] = {
    name: (option.annotation, option)
    for quantity in QUANTITIES.values()
    for name, option in quantity.options.model_fields.items()
}
ANY_CHECK = create_model("AnyCheck", __base__=CheckEntry, **OPTIONS)
TABLES: dict[str, type] = {
    "`[module]`": ModuleHead,
    "`[supply]` of module.toml": ModuleSupply,
    "A port: each key of `[ports]`": PortEntry,
    "`[relay_types.NAME]`": RelayType,
    "`[[relay]]`": RelayEntry,
    "`contacts` of a relay": ContactEntry,
    "`[switch_types.NAME]`": SwitchType,
    "`[[switch]]`": SwitchEntry,
    "`[[resistor]]`": ResistorEntry,
    "`[[capacitor]]`": CapacitorEntry,
    "`[[link]]`": LinkEntry,
    "`[[inductor]]`": InductorEntry,
    "`[[transformer]]`": TransformerEntry,
    "`[[amplifier]]`": AmplifierEntry,
    "`[fixture]`": FixtureHead,
    "A load: `undriven_inputs`, and each key of `[loads]`": Termination,
    "`[loopbacks.NAME]`": Loopback,
    "`[measured.NAME]`": MeasuredPlug,
    "`legs.CHANNEL` of a loopback, and as measured": LoopbackLegs,
    "`hot` and `cold` there": LoopbackLeg,
    "`[[setup]]`": Setup,
    "`source_added`": SourceAdded,
    "`[connectors.NAME]`": Connector,
    "`[sequence]`": SequenceHead,
    "`tone`": Tone,
    "`[[check]]`": ANY_CHECK,
    "`[bench]`": BenchHead,
    "`[generator]`": GeneratorFile,
    "`[oscilloscope]`": OscilloscopeFile,
    "`[supply]` of bench.toml": SupplyFile,
    "`[switchboard]`": SwitchboardFile,
    "`wire` of an instrument": WireFile,
}
NOT_A_TABLE_OF_ITS_OWN = {ConnectorPins}  # its keys are told in a row of [connectors.NAME]


def rows(title: str) -> dict[str, str]:
    """Key to default, of the first table under a heading."""
    (section,) = re.findall(rf"(?ms)^### {re.escape(title)}\n(.*?)(?=^##|\Z)", TEXT)
    table = re.search(r"(?m)^\| key \|.*\n\|[-|]+\n((?:\|.*\n?)+)", section)
    assert table is not None
    cells = [[cell.strip() for cell in line.split("|")[1:-1]] for line in table[1].splitlines()]
    assert all(len(line) == 4 and line[1] for line in cells)
    return {line[0].strip("`"): line[2] for line in cells}


def tables_under(model: type) -> set[type]:
    """Every table within those of a file."""
    found = (model_within(rule.annotation) for rule in keys_of(model).values())
    within = {table for table in found if table is not None}
    return within.union(*map(tables_under, within))


@pytest.mark.parametrize("title", TABLES)
def test_each_table_tells_exactly_the_keys_that_are_read(title: str) -> None:
    assert list(rows(title)) != []
    assert set(rows(title)) == set(keys_of(TABLES[title]))


@pytest.mark.parametrize("title", TABLES)
def test_a_key_that_must_be_there_has_no_default(title: str) -> None:
    told = rows(title)
    for name, rule in keys_of(TABLES[title]).items():
        if rule.default is MISSING:
            assert told[name] == "", name


@pytest.mark.parametrize("title", TABLES)
def test_the_defaults_are_those_that_are_used(title: str) -> None:
    told = rows(title)
    for name, rule in keys_of(TABLES[title]).items():
        default, words = rule.default, told[name]
        if isinstance(default, bool):
            assert words == f"`{str(default).lower()}`", name
        elif isinstance(default, int):
            assert words == f"`{default}`", name
        elif isinstance(default, float) and words.startswith('`"'):
            value, unit = words.strip('`"').split(" ") if " " in words else (words.strip('`"x'), "")
            scale = {"ms": 1e-3, "pF": 1e-12, "%": 1e-2, "A": 1.0, "H": 1.0, "ohm": 1.0, "": 1.0}[unit]
            assert float(value) * scale == pytest.approx(default), name


def test_no_table_of_a_file_is_left_out() -> None:
    files = (ModuleFile, FixtureFile, SequenceFile, BenchFile)
    known = set().union(*(tables_under(file) for file in files)) - NOT_A_TABLE_OF_ITS_OWN
    assert known == set(TABLES.values()) - {ANY_CHECK} | {CHECK_OF_ANY}


def test_every_quantity_is_told() -> None:
    section = TEXT[TEXT.index("| quantity | limits |") : TEXT.index("## bench.toml")]
    told = {
        name
        for line in section.splitlines()[2:]
        if "|" in line
        for name in re.findall(r"`(\w+)`", line.split("|")[1])
    }
    assert told == set(QUANTITIES)


def test_the_examples_are_one_job_that_can_be_planned(tmp_path: Path) -> None:
    blocks = re.findall(r"(?ms)^```toml\n# (\w+\.toml)\n(.*?)^```", TEXT)
    assert [name for name, _ in blocks] == ["module.toml", "fixture.toml", "sequence.toml", "bench.toml"]
    assert TEXT.count("```toml") == len(blocks)
    for name, text in blocks:
        (tmp_path / name).write_text(text, encoding="utf-8")
    job = load_job(tmp_path)
    plan = build_plan(job, impedances=BenchImpedances())
    assert {reading.key.check for reading in plan.readings} == {check.name for check in job.sequence.checks}
