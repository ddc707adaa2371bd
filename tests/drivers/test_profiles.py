"""Profiles: the shipped ones to the letter, and the mistakes of a user's own."""

import sys
from pathlib import Path

import pytest

from drivers.command import Command, Holes
from drivers.profile import load_profile, parse_profile, shipped_profiles
from harness.errors import JobError
from tests.drivers.own_profiles import profile, profile_text

ROLES = {
    "scpi-generator": "generator",
    "scpi-supply": "supply",
    "preamble-oscilloscope": "oscilloscope",
    "labelled-preamble-oscilloscope": "oscilloscope",
    "single-query-oscilloscope": "oscilloscope",
    "text-list-oscilloscope": "oscilloscope",
    "route-switchboard": "switchboard",
    "text-switchboard": "switchboard",
    "frame-switchboard": "switchboard",
    "modbus-switchboard": "switchboard",
    "gpio-switchboard": "switchboard",
    "rms-generator": "generator",
    "one-frequency-generator": "generator",
    "dbm-generator": "generator",
    "fixed-generator": "generator",
    "fixed-supply": "supply",
    "hand-supply": "supply",
    "tenths-supply": "supply",
    "lettered-supply": "supply",
    "ftdi-switchboard": "switchboard",
    "hid-switchboard": "switchboard",
    "modbus-tcp-switchboard": "switchboard",
    "modbus-single-switchboard": "switchboard",
    "modbus-register-switchboard": "switchboard",
    "echo-text-switchboard": "switchboard",
    "mask-text-switchboard": "switchboard",
    "echo-frame-switchboard": "switchboard",
}


def test_the_shipped_profiles_are_these() -> None:
    assert set(shipped_profiles()) == set(ROLES)


@pytest.mark.parametrize(("name", "role"), ROLES.items())
def test_a_shipped_profile_is_found_and_belongs_to_its_role(name: str, role: str, tmp_path: Path) -> None:
    assert load_profile(name, role=role, folder=tmp_path).role == role


def test_a_profile_of_another_role_is_refused(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="a profile for the supply cannot be the generator's"):
        load_profile("scpi-supply", role="generator", folder=tmp_path)


@pytest.fixture
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a user's own profiles, by the XDG base directories."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    folder = tmp_path / "config" / "switchwalk" / "profiles"
    folder.mkdir(parents=True)
    return folder


@pytest.mark.skipif(sys.platform != "linux", reason="the folder is another on this platform")
def test_a_users_own_profile_comes_after_one_beside_the_bench_file_and_before_a_shipped_one(
    own_folder: Path, tmp_path: Path
) -> None:
    def described(text: str) -> str:
        return "\n".join([f'description = "{text}"', *lines])

    lines = [line for line in profile_text("scpi-supply").splitlines() if not line.startswith("description")]
    (own_folder / "bench-supply.toml").write_text(described("the user's"), encoding="utf-8")
    (own_folder / "scpi-supply.toml").write_text(described("the user's in place of a shipped one"))
    assert load_profile("bench-supply", role="supply", folder=tmp_path).description == "the user's"
    result = load_profile("scpi-supply", role="supply", folder=tmp_path)
    assert result.description == "the user's in place of a shipped one"
    (tmp_path / "bench-supply.toml").write_text(described("beside the bench file"), encoding="utf-8")
    assert load_profile("bench-supply", role="supply", folder=tmp_path).description == "beside the bench file"


@pytest.mark.skipif(sys.platform != "linux", reason="the folder is another on this platform")
def test_an_unknown_profile_is_told_with_every_place_that_was_looked_at(
    own_folder: Path, tmp_path: Path
) -> None:
    with pytest.raises(JobError) as result:
        load_profile("zzz", role="generator", folder=tmp_path / "bench")
    assert str(own_folder) in str(result.value)
    assert str(tmp_path / "bench" / "zzz.toml") in str(result.value)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("scpi-genrator", "did you mean scpi-generator"),
        ("zzz", "shipped are dbm-generator"),
        ("../secrets", "expected a plain name"),
        ("", "expected a plain name"),
    ],
)
def test_an_unknown_profile_is_answered_with_the_nearest_names(
    name: str, message: str, tmp_path: Path
) -> None:
    with pytest.raises(JobError, match=message):
        load_profile(name, role="generator", folder=tmp_path)


@pytest.mark.parametrize(
    ("name", "old", "new", "message"),
    [
        ("scpi-generator", "outputs = 2", "outputs = 0", r"x.toml:4: outputs: .*found 0"),
        (
            "scpi-generator",
            "outputs = 2",
            "output = 2",
            r"x.toml:4: output: unknown key; did you mean 'outputs'",
        ),
        (
            "scpi-generator",
            "{hz}",
            "{herz}",
            r"frequency: expected a command with \{hz\}, perhaps \{n\}, found",
        ),
        (
            "scpi-generator",
            "{vpp}",
            "{n}",
            r"amplitude: expected a command with \{n\} and \{vpp\} or \{vrms\}",
        ),
        (
            "scpi-generator",
            "OUTPut{n} ON",
            "OUTPut{n ON",
            r"commands.output_on: .*found braces that don't pair",
        ),
        ("scpi-generator", "OUTPut{n} ON", "OUTPut{n} ÖN", r"one line of plain text"),
        ("scpi-generator", "OUTPut{n} ON", "OUTPut{n}\\nON", r"output_on: .*invisible character \(U\+000A\)"),
        ("scpi-generator", "{hz}", "{hz!r}", r"expected a command with"),
        ("scpi-generator", "10e6", "inf", r"frequency_max_hz: .*found inf"),
        ("scpi-generator", "10e6", "'fast'", r"frequency_max_hz: .*found 'fast'"),
        (
            "scpi-generator",
            'kind = "generator"',
            'kind = "genrator"',
            r"x.toml:2: kind: .*did you mean 'generator'",
        ),
        ("scpi-generator", 'kind = "generator"', "", r"kind: expected one of generator, .*found None"),
        ("scpi-generator", "outputs = 2", "outputs 2", r"x.toml:4: Expected '='"),
        ("preamble-oscilloscope", "0.001, 0.002", "0.002, 0.001", r"expected numbers that ascend"),
        ("frame-switchboard", "start = 0xA0", "start = 256", r"start: .*found 256"),
    ],
)
def test_a_mistake_is_reported_with_its_line_and_what_was_expected(
    name: str, old: str, new: str, message: str
) -> None:
    with pytest.raises(JobError, match=message):
        parse_profile(profile_text(name, {old: new}), "x.toml")


def test_all_mistakes_come_at_once() -> None:
    changes = {"outputs = 2": "outputs = 0", "{hz}": "{x}", "10e6": "-1"}
    with pytest.raises(JobError) as caught:
        parse_profile(profile_text("scpi-generator", changes), "x.toml")
    assert len(caught.value.mistakes) == 3


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (1000.0, "1000"),
        (1000.0 / 3.0, "333.333333333"),
        (19999.987654321, "19999.9876543"),
        (0.002, "0.002"),
        (5e-5, "5E-05"),
        (-1.5, "-1.5"),
        (3, "3"),
        ((1, 3), "1,3"),
    ],
)
def test_numbers_are_written_with_enough_digits(value: float, written: str) -> None:
    assert Command("SET {x}")(x=value) == f"SET {written}"


@pytest.mark.parametrize(
    ("how", "value", "written"),
    [
        ("milli", 0.1, "100"),
        ("milli d", 0.002, "2"),
        ("milli 05d", -0.4, "-0400"),
        ("kilo .6f", 1020.0, "1.020000"),
        ("micro", 1e-3, "1000"),
        ("nano d", 1e-6, "1000"),
        ("mega .3f,", 2.5e6, "2,500"),
        ("prefixed", 0.5, "500m"),
        ("prefixed", 1.0, "1"),
        ("prefixed", 0.002, "2m"),
        ("prefixed", 5e-4, "500u"),
        ("prefixed", -0.02, "-20m"),
        ("prefixed", 0.0, "0"),
        ("prefixed", 2.5e7, "25M"),
        ("prefixed", 1e-12, "0.001n"),
    ],
)
def test_an_instrument_may_count_in_other_units_or_take_prefixes(
    how: str, value: float, written: str
) -> None:
    """IEEE 488.2, 7.7.3, has the letters (from memory), but for its M, MA and PE."""
    command = Holes(("x",)).parse(f"SET {{x:{how}}}")
    assert command(x=value) == f"SET {written}"
    assert command.as_sent("x", value) == pytest.approx(value)


@pytest.mark.parametrize("text", ["SET {n:milli}", "SET {n:prefixed}", "SET {n:centi}", "SET {n:milli x}"])
def test_a_number_of_an_output_is_counted_in_nothing_else(text: str) -> None:
    with pytest.raises(ValueError, match="expected a number's format"):
        Holes(("n",)).parse(text)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_what_is_no_number_never_reaches_an_instrument(value: float) -> None:
    with pytest.raises(ValueError, match="cannot be sent"):
        Command("SET {x}")(x=value)


def test_words_from_anywhere_cannot_be_put_into_a_command() -> None:
    with pytest.raises(ValueError, match="invalid literal"):
        Command("SET {x}")(x="1;OUTPut ON")  # type: ignore[arg-type]


def test_a_gpio_profile_has_as_many_channels_as_lines() -> None:
    assert profile("gpio-switchboard").channels == 8
