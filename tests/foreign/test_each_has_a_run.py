"""Every shipped profile, and every dialect of the zoos, is on the bench of some whole run of this suite.

The tables say which test has the run, and how it names what it puts on the bench. A new profile without a
row fails here, and so does a row whose test no longer has it.
"""

import inspect
from importlib import resources
from pathlib import Path
from types import ModuleType

import pytest

from tests.drivers.board_zoo import evening_sources, generators, lines, strangers, supplies
from tests.drivers.zoo import evening_scopes, scope_dialects, strange_scopes
from tests.drivers.zoo.scope import Scope

TESTS = Path(__file__).parents[1]
EACH, SCOPES = "foreign/test_each_dialect.py", "drivers/zoo/test_whole_runs.py"
FOREIGN = "foreign/bench.py"  # the bench of test_foreign_bench.py
PROFILES = {
    "dbm-generator": (EACH, '"dbm-generator"'),
    "fixed-generator": (EACH, '"fixed-generator"'),
    "one-frequency-generator": ("foreign/test_one_frequency.py", '"one-frequency-generator"'),
    "rms-generator": ("foreign/test_other_dialects.py", '"rms-generator"'),
    "scpi-generator": (FOREIGN, '"scpi-generator"'),
    "fixed-supply": (EACH, '"fixed-supply"'),
    "hand-supply": ("foreign/test_supply_by_hand.py", '"hand-supply"'),
    "lettered-supply": ("foreign/test_other_dialects.py", '"lettered-supply"'),
    "scpi-supply": (FOREIGN, '"scpi-supply"'),
    "tenths-supply": (EACH, '"tenths-supply"'),
    "labelled-preamble-oscilloscope": (SCOPES, '"labelled-preamble-oscilloscope"'),
    "preamble-oscilloscope": (FOREIGN, '"preamble-oscilloscope"'),
    "single-query-oscilloscope": (SCOPES, '"single-query-oscilloscope"'),
    "text-list-oscilloscope": (SCOPES, '"text-list-oscilloscope"'),
    "echo-frame-switchboard": (EACH, '"echo-frame-switchboard"'),
    "echo-text-switchboard": (EACH, '"echo-text-switchboard"'),
    "frame-switchboard": ("wire/test_late_board.py", 'switchboard="frame"'),
    "ftdi-switchboard": ("foreign/library_boards.py", '"ftdi-switchboard"'),  # of EACH, as the next two
    "gpio-switchboard": ("foreign/library_boards.py", '"gpio-switchboard"'),
    "hid-switchboard": ("foreign/library_boards.py", '"hid-switchboard"'),
    "mask-text-switchboard": (EACH, '"mask-text-switchboard"'),
    "modbus-register-switchboard": (EACH, '"modbus-register-switchboard"'),
    "modbus-single-switchboard": (EACH, '"modbus-single-switchboard"'),
    "modbus-switchboard": ("wire/test_knobs_between_units.py", 'switchboard="modbus"'),
    "modbus-tcp-switchboard": ("foreign/test_other_dialects.py", '"modbus-tcp-switchboard"'),
    "route-switchboard": (FOREIGN, '"route-switchboard"'),
    "text-switchboard": (FOREIGN, '"text-switchboard"'),
}
STRANGERS = "foreign/test_more_strangers.py"
DIALECTS = {
    "CommaSupply": STRANGERS,
    "DbmGenerator": EACH,
    "DecimalCommas": SCOPES,
    "EchoFrameBoard": EACH,
    "FixedGenerator": EACH,
    "FixedSupply": EACH,
    "Labelled": SCOPES,
    "Lettered": SCOPES,
    "LetteredSupply": "foreign/test_other_dialects.py",
    "LineBoard": EACH,
    "MaskBoard": EACH,
    "NextPieces": SCOPES,
    "OneAnswerGenerator": STRANGERS,
    "OneLineSupply": EACH,
    "PlainKilohertz": EACH,
    "PlainMillivolts": EACH,
    "PromptBoard": STRANGERS,
    "RmsGenerator": "foreign/test_other_dialects.py",
    "SingleQueries": SCOPES,
    "TenFields": "drivers/zoo/test_finer_runs.py",
    "TenthsSupply": EACH,
    "VoltsInText": SCOPES,
    "Words": SCOPES,
}
ZOOS = (
    *(evening_scopes, scope_dialects, strange_scopes),
    *(evening_sources, generators, lines, strangers, supplies),
)
IN_COMMON = {Scope, strangers.Line, supplies.Supply}  # which are no dialects


def classes_of(zoo: ModuleType) -> set[str]:
    return {
        name
        for name, kind in inspect.getmembers(zoo, inspect.isclass)
        if kind.__module__ == zoo.__name__ and kind not in IN_COMMON
    }


def test_the_tables_have_every_profile_and_every_dialect() -> None:
    shipped = {file.stem for file in Path(str(resources.files("drivers") / "profiles")).glob("*.toml")}
    assert set(PROFILES) == shipped
    assert set(DIALECTS) == set().union(*map(classes_of, ZOOS))


@pytest.mark.parametrize(
    ("file", "words"),
    [*PROFILES.values(), *((file, name) for name, file in DIALECTS.items())],
    ids=[*PROFILES, *DIALECTS],
)
def test_its_run_puts_it_on_the_bench(file: str, words: str) -> None:
    assert words in (TESTS / file).read_text(encoding="utf-8")
