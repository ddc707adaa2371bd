"""docs/files.md tells every key that a job's files may hold, and no other; its examples are a job."""

import re
from pathlib import Path

import pytest
from pydantic import create_model

from harness.circuit.elements import BenchImpedances
from harness.job import schema
from harness.job.load import load_job
from harness.job.schema import Table
from harness.plan.build import build_plan
from harness.quantities.registry import QUANTITIES

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "files.md").read_text(encoding="utf-8")
ANY_CHECK = create_model(
    "AnyCheck",
    __base__=schema.RawCheck,
    **{
        name: (option.annotation, option)
        for quantity in QUANTITIES.values()
        for name, option in quantity.options.model_fields.items()
    },
)
TABLES: dict[str, type[Table]] = {
    "`[module]`": schema.RawModule,
    "`[supply]` of module.toml": schema.RawModuleSupply,
    "`[relay_types.NAME]`": schema.RawRelayType,
    "`[[relay]]`": schema.RawRelay,
    "`contacts` of a relay": schema.RawContact,
    "`[[resistor]]`": schema.RawResistor,
    "`[[capacitor]]`": schema.RawCapacitor,
    "`[[amplifier]]`": schema.RawAmplifier,
    "`[fixture]`": schema.RawFixture,
    "A load: `undriven_inputs`, and each key of `[loads]`": schema.RawTermination,
    "`[links.NAME]`": schema.RawLink,
    "`[plugs.NAME]`": schema.RawPlug,
    "`legs.CHANNEL` of a link or a plug": schema.RawLinkLegs,
    "`hot` and `cold` there": schema.RawLinkLeg,
    "`[[hookup]]`": schema.RawHookup,
    "`source_added`": schema.RawSourceAdded,
    "`[sequence]`": schema.RawSequence,
    "`tone`": schema.RawTone,
    "`[[check]]`": ANY_CHECK,
    "`[bench]`": schema.RawBench,
    "`[generator]`": schema.RawGenerator,
    "`[oscilloscope]`": schema.RawOscilloscope,
    "`[supply]` of bench.toml": schema.RawSupply,
    "`[switchboard]`": schema.RawSwitchboard,
}
PARENTS = {"Table", "RawPart", "RawInstrument"}  # what several tables share


def rows(title: str) -> dict[str, str]:
    """Key to default, of the first table under a heading."""
    (section,) = re.findall(rf"(?ms)^### {re.escape(title)}\n(.*?)(?=^##|\Z)", TEXT)
    table = re.search(r"(?m)^\| key \|.*\n\|[-|]+\n((?:\|.*\n?)+)", section)
    assert table is not None
    cells = [[cell.strip() for cell in line.split("|")[1:-1]] for line in table[1].splitlines()]
    assert all(len(line) == 4 and line[1] for line in cells)
    return {line[0].strip("`"): line[2] for line in cells}


def fields(table: type[Table]) -> dict[str, object]:
    return {field.alias or name: field for name, field in table.model_fields.items()}


@pytest.mark.parametrize("title", TABLES)
def test_each_table_tells_exactly_the_keys_that_are_read(title: str) -> None:
    assert list(rows(title)) != []
    assert set(rows(title)) == set(fields(TABLES[title]))


@pytest.mark.parametrize("title", TABLES)
def test_a_key_that_must_be_there_has_no_default(title: str) -> None:
    told = rows(title)
    for name, field in TABLES[title].model_fields.items():
        if field.is_required():
            assert told[field.alias or name] == "", name


@pytest.mark.parametrize("title", TABLES)
def test_the_defaults_are_those_that_are_used(title: str) -> None:
    told = rows(title)
    for name, field in TABLES[title].model_fields.items():
        default, words = field.default, told[field.alias or name]
        if isinstance(default, bool) and not field.is_required():
            assert words == f"`{str(default).lower()}`", name
        elif isinstance(default, int) and not field.is_required():
            assert words == f"`{default}`", name
        elif isinstance(default, float) and words.startswith('`"'):
            value, unit = words.strip('`"').split(" ") if " " in words else (words.strip('`"x'), "")
            scale = {"ms": 1e-3, "pF": 1e-12, "%": 1e-2, "A": 1.0, "": 1.0}[unit]
            assert float(value) * scale == pytest.approx(default), name


def test_no_table_of_the_schema_is_left_out() -> None:
    known = {
        name for name, one in vars(schema).items() if isinstance(one, type) and issubclass(one, Table)
    } - PARENTS
    assert known == {table.__name__ for table in TABLES.values()} - {"AnyCheck"} | {"RawCheck"}


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
