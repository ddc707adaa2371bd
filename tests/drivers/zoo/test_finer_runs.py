"""Whole runs with a scope's finer modes, and with one whose mode saves nothing: each has its own noise."""

import json
from pathlib import Path

import pytest

from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.drivers.zoo.at_bench import at_bench
from tests.drivers.zoo.scope_dialects import TenFields
from tests.drivers.zoo.test_contradicting_profiles import JOB
from tests.drivers.zoo.test_finer_records import WORDS
from tests.foreign.bench import ForeignBench
from tests.foreign.box import Unit
from tests.foreign.instruments import Generator
from tests.foreign.test_foreign_bench import hand_made_gain_db
from tests.foreign.test_one_frequency import OneFrequency
from tests.jobs import check_of, job_in

FINER = {"high_resolution": "high_resolution = true", "averages": "averages = 4"}
QUIETER = {"high_resolution": 4.0, "averages": 2.0}  # the zoo's scope; averages by their square root


class Boasting(TenFields):
    """It takes the commands of its finer modes, and its noise stays as it is."""

    def have(self, what: str, value: object) -> None:
        super().have(what, "plain" if what == "finer" else value)


def noises_of(
    capsys: pytest.CaptureFixture[str],
    folder: Path,
    *,
    keys: str = "",
    make: type[TenFields] = TenFields,
    generator: type[Generator] = Generator,
) -> dict[str, float]:
    """The line "noise" of each gain's budget in one whole run, by setup; the gains are the circuit's."""
    job = job_in(
        folder / "job",
        check_of("gain", within="0.3 dB"),
        check_of("crosstalk", below="-60 dB"),
        of=JOB,
        states=["insert"],
    )
    (folder / "mine.toml").write_text(profile_text("preamble-oscilloscope", WORDS), encoding="utf-8")
    unit, scope, records = Unit(), make(), str(folder / "records.sqlite")
    with ForeignBench(unit, scope=at_bench(scope), generator=generator) as bench:
        file = bench.write(folder / "bench.toml", scope_profile="mine")
        text = file.read_text(encoding="utf-8").replace("[oscilloscope]", f"[oscilloscope]\n{keys}")
        if generator is OneFrequency:
            text = text.replace('"scpi-generator"', '"one-frequency-generator"')
        file.write_text(text, encoding="utf-8")
        ran = switchwalk(
            capsys, "run", str(job), "--serial", "F-1", "--bench", str(file), "--records", records
        )
        assert bench.is_safe()
    assert ran.code == 0, ran.out + ran.err
    readings = json.loads(switchwalk(capsys, "show", "1", "--json", "--records", records).out)["readings"]
    gains = [each for each in readings if each["quantity"] == "gain" and not each["floor"]]
    assert len(gains) >= 2
    for gain in gains:
        assert abs(gain["value"] - hand_made_gain_db(unit, gain)) < 4 * gain["standard"]
    return {
        gain["setup"]: next(line["standard"] for line in gain["budget"] if line["name"] == "noise")
        for gain in gains
    }


@pytest.mark.parametrize(
    ("mode", "generator"), [("high_resolution", Generator), ("averages", OneFrequency)], ids=FINER
)
def test_a_run_in_a_finer_mode_has_the_noise_that_its_records_show(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, mode: str, generator: type[Generator]
) -> None:
    cases: dict[str, tuple[str, type[TenFields]]] = {
        "plain": ("", TenFields),
        "finer": (FINER[mode], TenFields),
        "boasting": (FINER[mode], Boasting),
    }
    seen = {}
    for name, (keys, make) in cases.items():
        (folder := tmp_path / name).mkdir()
        seen[name] = noises_of(capsys, folder, keys=keys, make=make, generator=generator)
    for setup, plain in seen["plain"].items():
        assert plain / seen["finer"][setup] == pytest.approx(QUIETER[mode], rel=0.25)
        assert plain / seen["boasting"][setup] == pytest.approx(1.0, rel=0.25)
