"""A job that its bench cannot carry out is refused before anything is opened."""

import shutil
from pathlib import Path

import pytest

from tests.cli.commands import switchwalk
from tests.jobs import check_of, edit, job_in

PROFILES = Path(__file__).resolve().parents[2] / "drivers" / "profiles"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return job_in(tmp_path / "job")


def own_profile(job: Path, shipped: str, before: str, after: str) -> None:
    """Put a changed copy of a shipped profile beside the job's bench file."""
    edit(Path(shutil.copy(PROFILES / f"{shipped}.toml", job)), before, after, every=True)


@pytest.mark.parametrize(
    ("shipped", "before", "after", "message"),
    [
        (
            "preamble-oscilloscope", "inputs = 4", "inputs = 2",
            "fixture.toml:53: setup[3].view: 'drive left, view input and output' views 4 legs; "
            "the scope has 2 inputs: view fewer ports, in one more setup",
        ),
        (
            "scpi-generator", "amplitude_max_vpp = 20.0", "amplitude_max_vpp = 1.0",
            "sequence.toml:8: check[1].level: needs 1.74 Vpp on each leg; "
            "scpi-generator gives 0.002 to 1 Vpp",
        ),
        (
            "scpi-generator", "FREQuency {hz}", "FREQuency {hz:.0e}",
            "sequence.toml:8: check[1].frequency: 1010 Hz can't be set: by the digits of `frequency` in its "
            "profile it would be 1000 Hz",
        ),
        (
            "scpi-generator", "VOLTage {vpp}", "VOLTage {vpp:.0f}",
            "check[1].level: 1.73616 Vpp can't be set closer than +1.23 dB by the digits of `amplitude`",
        ),
        (
            "frame-switchboard", "channels = 16", "channels = 12",
            "setup[12].select: found channel 13; the switchboard has channels 1 to 12",
        ),
    ],
)  # fmt: skip
def test_what_the_instruments_cannot_do_is_said_with_its_place(
    capsys: pytest.CaptureFixture[str], job: Path, shipped: str, before: str, after: str, message: str
) -> None:
    own_profile(job, shipped, before, after)
    printed = switchwalk(capsys, "plan", str(job))
    assert printed.code == 2
    assert message in printed.err


def test_one_frequency_at_a_time_needs_an_output_that_can_be_silent(
    capsys: pytest.CaptureFixture[str], job: Path
) -> None:
    own_profile(job, "scpi-generator", "independent_frequencies = true", "independent_frequencies = false")
    edit(job / "scpi-generator.toml", "silence = ", "# silence = ")
    printed = switchwalk(capsys, "plan", str(job))
    assert printed.code == 2
    assert "independent_frequencies = false: expected the commands silence and function_sine" in printed.err


@pytest.mark.parametrize("command", [("plan",), ("table",), ("run", "--serial", "X-1", "--simulate")])
def test_a_misspelt_profile_is_told_with_the_mistakes_of_the_other_files(
    capsys: pytest.CaptureFixture[str], job: Path, command: tuple[str, ...]
) -> None:
    edit(job / "bench.toml", '"scpi-generator"', '"scpi-generater"')
    edit(job / "sequence.toml", 'within = "3 deg"', "within = 3")
    name, *options = command
    printed = switchwalk(capsys, name, str(job), *options)
    assert printed.code == 2
    assert "check[3].within: found 3, which has no unit" in printed.err
    assert "bench.toml:6: generator.profile: no profile 'scpi-generater'" in printed.err
    assert "did you mean scpi-generator" in printed.err


def test_each_misspelt_profile_of_several_switchboards_is_told_at_its_own_line(
    capsys: pytest.CaptureFixture[str], job: Path
) -> None:
    lines = (job / "bench.toml").read_text(encoding="utf-8").splitlines()
    head = lines[: lines.index("[switchboard]")]
    boards = [
        line
        for name, port in (("frame-switchbord", 1), ("text-switchboard", 2), ("mask-text-switchbord", 3))
        for line in ("[[switchboard]]", f'address = "COM{port}"', f'profile = "{name}"')
    ]
    (job / "bench.toml").write_text("\n".join([*head, *boards]), encoding="utf-8")
    printed = switchwalk(capsys, "plan", str(job))
    assert printed.code == 2
    for line, name in ((len(head) + 3, "frame-switchbord"), (len(head) + 9, "mask-text-switchbord")):
        assert f"bench.toml:{line}: switchboard.profile: no profile '{name}'" in printed.err


def test_the_plan_is_printed_within_eighty_columns(capsys: pytest.CaptureFixture[str], job: Path) -> None:
    printed = switchwalk(capsys, "plan", str(job), "--steps")
    assert printed.code == 0
    assert max(map(len, printed.out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("limit", "probe", "message"),
    [
        (
            "-120 dBu",
            "1x",
            "1 mV per division, tells none below -116.3 dBu, its floor. Expected a more sensitive",
        ),
        (
            "-97 dBu",
            "10x",
            "10 mV per division, tells none below -96.3 dBu, its floor. Expected a 1x probe in",
        ),
        ("-97 dBu", "1x", ""),
    ],
)
def test_noise_that_the_scopes_own_hides_is_refused_with_the_floor(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, limit: str, probe: str, message: str
) -> None:
    noise = check_of("noise", states=["idle"], below=limit)
    job = job_in(tmp_path / "job", noise, edits=[("bench.toml", 'probe = "1x"', f'probe = "{probe}"')])
    printed = switchwalk(capsys, "plan", str(job))
    assert printed.code == (2 if message else 0)
    assert message in " ".join(printed.err.split())


def test_crosstalk_with_one_channel_in_view_is_refused_with_the_setup_that_it_needs(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    job = job_in(tmp_path / "job", check_of("crosstalk", below="-70 dB"))
    edit(job / "fixture.toml", '["left.out", "right.out"]', '["left.out", "left.in"]', every=True)
    edit(job / "fixture.toml", '["right.out", "left.out"]', '["right.out", "right.in"]', every=True)
    printed = switchwalk(capsys, "plan", str(job))
    assert printed.code == 2
    message = " ".join(printed.err.split())
    assert "crosstalk needs left driven and both channels viewed at once" in message
    assert 'expected a [[setup]] with drive = "left.in", view = ["left.out", "right.out"]' in message
