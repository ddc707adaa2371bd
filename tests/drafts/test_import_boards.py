"""`switchwalk import`: one board in every form of netlist is drafted as the same circuit, against ngspice."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import predict_states
from harness.errors import Mistake
from harness.job.module import Module
from harness.job.read_module import read_module
from harness.job.state import all_states
from harness.toml_files.source import Source
from tests.circuit import boards as circuits
from tests.circuit import spice as ngspice
from tests.cli.commands import switchwalk
from tests.drafts import boards
from tests.drafts.boards import Board

BENCH = BenchImpedances()
FREQUENCIES_HZ = (1e3, 20e3)
OFF_F = 1e-12  # the draft's default off_capacitance
NOTHING = 1e-13  # no solver in double precision keeps digits of less
LINES = ("source", "insert", "dim")
VIEWS = {f"{side}.desk_in": (f"{side}.out", f"{side}.snd", "left.sum_copy_out") for side in boards.SIDES}


def _nameless(board: Board) -> str:
    return boards.schematic(board.renamed(boards.short_names), boards.EN_50005)


FORMS: dict[str, Callable[[Board], str]] = {
    "switches in the subcircuit": lambda board: boards.spice(
        board.renamed(boards.plain_names), boards.SWITCHES
    ),
    "pin names of the subcircuit": lambda board: boards.spice(
        board.renamed(boards.plain_names), boards.PIN_NAMES
    ),
    "position alone": lambda board: boards.spice(board.renamed(boards.plain_names)),
    "a channel as a subcircuit": boards.in_channels,
    "schematic, contacts numbered": _nameless,
    "schematic, a package with two rows": lambda board: boards.schematic(
        board.renamed(boards.plain_names), boards.TWO_ROWS
    ),
}


def imported(netlist: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[Module, str, str]:
    """The module as it is read back, what was in doubt, and the draft."""
    source, draft = folder / "board.net", folder / "module.toml"
    source.write_text(netlist, encoding="utf-8")
    printed = switchwalk(capsys, "import", str(source), "--out", str(draft))
    assert printed.code == 0, printed.err
    mistakes: list[Mistake] = []
    opened = Source.open(draft, draft.name, mistakes)
    assert opened is not None
    module, _ = read_module(opened)
    assert mistakes == []
    return module, printed.err, draft.read_text(encoding="utf-8")


def solved_by_ngspice(board: Board, folder: Path) -> list[np.ndarray]:
    """Transfers of the board itself, part by part, in every state and setup: (frequencies, legs, 2) each."""
    blocks = []
    for driven, viewed in VIEWS.items():
        for state in all_states(LINES):
            lines = [("R", a, b, repr(ohm or 1e-6)) for _, a, b, ohm in board.resistors]
            for relay in board.relays:
                on = relay.coil[1].lower() in state.on
                for common, released, operated in relay.contacts:
                    made, open_ = (operated, released) if on else (released, operated)
                    lines.append(("R", common, made, repr(boards.CONTACT_OHM)))
                    lines.append(("C", common, open_, repr(OFF_F)))
            view = tuple(f"{port}.{leg}" for port in viewed for leg in boards.LEGS)
            for node in view:
                lines.append(("R", node, "GROUND", repr(BENCH.input_ohm)))
                lines.append(("C", node, "GROUND", repr(BENCH.input_f)))
            grounded = [tuple(word.replace("GROUND", "ground") for word in line) for line in lines]
            blocks.append(
                ngspice.Block(
                    lines=tuple(grounded),
                    drive=(f"{driven}.hot", f"{driven}.cold"),
                    source_ohm=BENCH.source_ohm,
                    view=view,
                )
            )
    return ngspice.transfers(blocks, FREQUENCIES_HZ, folder)


def predicted(module: Module) -> list[np.ndarray]:
    """The same of the module."""
    result = []
    for driven, viewed in VIEWS.items():
        setup = circuits.setup(driven, viewed)
        by_frequency = [
            predict_states(
                module,
                circuits.fixture(setup),
                setup,
                [*all_states(LINES)],
                frequencies_hz=(frequency_hz, frequency_hz),
                impedances=BENCH,
            )
            for frequency_hz in FREQUENCIES_HZ
        ]
        result += [np.array([each.transfer for each in states]) for states in zip(*by_frequency, strict=True)]
    return result


@pytest.mark.parametrize("form", FORMS)
def test_a_drafted_module_solves_as_the_board_does_in_ngspice(
    form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    board = boards.talkback()
    module, doubts, text = imported(FORMS[form](board), tmp_path, capsys)
    assert module.control_names == LINES
    theirs = solved_by_ngspice(board, tmp_path)
    for ours, reference in zip(predicted(module), theirs, strict=True):
        heard = np.abs(reference) > NOTHING
        assert (np.abs(ours[~heard]) < 2 * NOTHING).all()
        difference_db = np.abs(20 * np.log10(np.abs(ours[heard]) / np.abs(reference[heard])))
        made = np.abs(reference[heard]) > 1e-6
        assert difference_db[made].max() < 1e-3
        assert difference_db[~made].max(initial=0.0) < 0.1
    assert text.count("[[relay]]") == 3, "left and right are one table with names"
    assert text.count("names = {") == 3 + 8 + 2
    assert text.count("[[link]]") == 2
    assert 'sum_out = { role = "output", channels = ["left"] }' in text
    assert module.supply.voltage_v == (24.0 if "24" in FORMS[form](board) else 12.0)
    assert ("taken by position" in doubts) == (form in ("position alone", "schematic, a package with two rows"
    , "a channel as a subcircuit"))  # fmt: skip
