"""A profile is asked for at an instrument of each dialect: every command of it is taken as it is sent."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from drivers.profile import parse_profile
from tests.drivers import strict_instruments as strict
from tests.drivers.board_zoo.generators import DbmGenerator, FixedGenerator
from tests.drivers.board_zoo.lines import LineBoard, MaskBoard
from tests.drivers.board_zoo.supplies import FixedSupply, TenthsSupply
from tests.drivers.own_profiles import profile
from tests.drivers.peers import peer
from tests.drivers.profile_trials.test_profile_new import Typist, held
from tests.drivers.serial_boards import port
from tests.drivers.zoo.scope_dialects import Labelled, TenFields

Made = Callable[..., Any]
AT_SOCKETS: dict[str, Made] = {
    "dbm-generator": DbmGenerator,
    "labelled-preamble-oscilloscope": Labelled,
    "preamble-oscilloscope": TenFields,
    "scpi-generator": strict.Generator,
    "scpi-supply": strict.Supply,
    "route-switchboard": strict.Switch,
}
AT_PORTS: dict[str, Made] = {
    "fixed-generator": FixedGenerator,
    "fixed-supply": FixedSupply,
    "tenths-supply": TenthsSupply,
    "echo-text-switchboard": LineBoard,
    "mask-text-switchboard": MaskBoard,
}
UNKNOWN = {
    "preamble-oscilloscope": [
        ":TRIGger:SWEep NORMal",
        ":TRIGger:FORCe",
        ":TRIGger:EDGE:SOURce EXTernal",
    ],
    "scpi-generator": ["SOURce1:FUNCtion DC", "OUTPut:SYNC:SOURce CH1"],
    "scpi-supply": ["INSTrument:NSELect 1"],  # as a supply with one output says
}
"""What the zoo's instrument does not know of the shipped profile, each told and kept all the same."""


@contextmanager
def listening(name: str) -> Iterator[str]:
    """The instrument at its address."""
    if name in AT_SOCKETS:
        with peer(AT_SOCKETS[name]().script) as served:
            yield served.address
    else:
        with port() as line:
            line.run(AT_PORTS[name](line.say).hear)
            yield line.path


@pytest.mark.parametrize("name", [*AT_SOCKETS, *AT_PORTS])
def test_a_profile_whose_every_value_is_taken_is_the_same(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    person = Typist({})
    shipped = profile(name)
    with listening(name) as address:
        answers = held(shipped.kind, address, person, like=name)
    assert parse_profile(answers.text(), "mine.toml").model_dump() == shipped.model_dump()
    wrong = [said for said in person.said if said.startswith("NOT OK")]
    assert len(wrong) == len(UNKNOWN.get(name, []))
    for said, command in zip(wrong, UNKNOWN.get(name, []), strict=True):
        assert command in said
        assert "-113" in said
