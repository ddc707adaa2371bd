"""Hostile jobs: the four files of a good one, edited line by line, through validation into a plan."""

import contextlib
import re
import shutil
from functools import cache
from pathlib import Path

from harness.circuit.elements import BenchImpedances
from harness.circuit.truth import truth_table
from harness.errors import SwitchwalkError
from harness.job.job import load_job
from harness.plan.build import trial_plan
from tests.hostile.file_targets import FILES, ROOT, scratch
from tests.jobs import RELAY_CURRENT, check_of, sequence

JOBS = ("source_selector", "two_loop_switcher")
SEQUENCE = sequence(
    check_of("gain", name="Route and gain", within="0.2 dB", silent_ports_below="-80 dB"),
    check_of("crosstalk", frequency="10 kHz", below="-80 dB"),
    check_of("operate_time", states="all", below="7 ms"),
    RELAY_CURRENT,
    states=["all", "unpowered"],
    channels="all",
)
STRANGE = (
    *('""', '"x"', "0", "-1", "7", "true", "[]", "{}", '[""]', "nan", "inf", "1e400", '"idle"', '"all"'),
    *('["all", "unpowered"]', '"unpowered"', '"left"', '"hot"', '"left.in"', '"in"', '"out"', '"\\u0000"'),
    *('"0 ohm"', '"-5 ohm"', '"1e-30 ohm"', '"1e30 ohm"', '"nan ohm"', '"inf Hz"', '"1 uHz"', '"1 THz"'),
    *('"0 dB"', '"300 dB"', '"-1e9 dB"', '"1e9 s"', '"1 ps"', '"0 %"', '"1e6 %"', '"0 V"', '"1e9 V"'),
    *('"1e300 F"', '"{0.__class__}"', '"%s%n"', '"../../x"', "9999999999999999999999", "[1, 1, 1]", "65536"),
)
KEYED = re.compile(r"^(\s*[\w.]+\s*=\s*)(.+)$")


@cache
def _lines(job: str) -> dict[str, tuple[str, ...]]:
    folder = ROOT / "sequences" / job
    texts = {name: (folder / name).read_text("utf-8") for name in FILES} | {"sequence.toml": SEQUENCE}
    return {name: tuple(text.splitlines()) for name, text in texts.items()}


@cache
def _values(job: str) -> tuple[str, ...]:
    """Every value that stands anywhere in the job, and some that belong nowhere."""
    result = (KEYED.match(line) for lines in _lines(job).values() for line in lines)
    return (*dict.fromkeys(one[2] for one in result if one), *STRANGE)


def edited_job(data: bytes) -> None:
    """The first byte says which job; then four bytes an edit: the file and what is done, the line, the value.

    A value is replaced by one from elsewhere in the job or by a strange one, a line is left out, said twice,
    or put elsewhere in its file.
    """
    job = JOBS[data[0] % len(JOBS)] if data else JOBS[0]
    texts = {name: list(lines) for name, lines in _lines(job).items()}
    for start in range(1, len(data) - 3, 4):
        what, high, low, value = data[start : start + 4]
        _edit(texts[FILES[what % 4]], what >> 2, 256 * high + low, value, _values(job))
    folder = scratch() / "whole job"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, lines in texts.items():
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    with contextlib.suppress(SwitchwalkError):
        _plan(folder)


def _edit(lines: list[str], act: int, line: int, value: int, values: tuple[str, ...]) -> None:
    if not lines:
        return
    place = line % len(lines)
    coded = KEYED.match(lines[place])
    if act % 8 < 5 and coded:
        lines[place] = coded[1] + values[value % len(values)]
    elif act % 8 == 5:
        lines.insert(value % (len(lines) + 1), lines[place])
    elif act % 8 == 6:
        lines.insert(value % len(lines), lines.pop(place))
    else:
        del lines[place]


def _plan(folder: Path) -> None:
    job = load_job(folder)
    plan = trial_plan(job, impedances=BenchImpedances())
    if plan.count < 0 or not all(acquisition.number >= 0 for acquisition in plan.acquisitions):
        raise AssertionError(f"a plan of {plan.count} readings")
    truth_table(
        job.module, job.fixture, job.sequence.states, frequency_hz=1000.0, impedances=BenchImpedances()
    )
