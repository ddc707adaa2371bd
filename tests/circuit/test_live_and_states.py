"""Which ports a state leaves silent, where relays stand, and circuits that have no solution."""

from dataclasses import replace

import pytest

from harness.circuit.elements import BenchImpedances
from harness.circuit.expand import build_circuit, is_operated
from harness.circuit.predict import Prediction, differential, predict
from harness.circuit.routes import route
from harness.circuit.solve import transfer
from harness.errors import CircuitError
from harness.job.fixture import Fixture, Setup
from harness.job.module import Amplifier, Module, Pole
from harness.job.state import State
from tests.circuit import boards

IDLE = State(on=())
BENCH = BenchImpedances()
SELECTOR = boards.module(
    ports=["in", "aux", "out"],
    controls=["other", "mute"],
    relays=[
        boards.change_over("K1", "other", "chosen", "in", "aux"),
        boards.change_over("K2", "mute", "out", "chosen", None),
    ],
)


def look(module: Module, setup: Setup, fixture: Fixture, state: State) -> Prediction:
    return predict(module, fixture, setup, state, frequencies_hz=(980, 1020), impedances=BENCH)


@pytest.mark.parametrize(
    ("drive", "on", "words"),
    [
        ("left.in", "", "in > out"),
        ("left.aux", "", "silent"),
        ("left.in", "other", "silent"),
        ("left.aux", "other", "aux > out"),
        ("left.in", "mute", "silent"),
        ("left.aux", "other+mute", "silent"),
    ],
)
def test_a_selector_passes_what_it_selects_and_nothing_else(drive: str, on: str, words: str) -> None:
    setup = boards.setup(drive)
    fixture = boards.fixture(setup, loads={"out": boards.across(10e3)})
    state = State(on=tuple(on.split("+")) if on else ())
    port = boards.port("left.out")
    live = words != "silent"
    assert route(SELECTOR, fixture, setup, state, port) == words
    assert look(SELECTOR, setup, fixture, state).live == (live,)


def test_a_pair_that_a_contact_shorts_is_silent_though_the_contact_leaves_something_over() -> None:
    short = replace(
        boards.change_over("K1", "mute", "out", None, None),
        poles=(
            Pole(
                relay="K1",
                contact=1,
                channel="left",
                leg="hot",
                common="left.out.hot",
                released=None,
                operated="left.out.cold",
            ),
        ),
    )
    module = boards.module(
        controls=["mute"], relays=[short], resistors=boards.in_series("R1", "in", "out", 22)
    )
    setup = boards.setup()
    fixture = boards.fixture(setup, loads={"out": boards.across(10e3)})
    muted = look(module, setup, fixture, State(on=("mute",)))
    assert look(module, setup, fixture, IDLE).live == (True,)
    assert muted.live == (False,)
    # 50 mohm against 50 + 22 ohm in each leg
    assert abs(differential(muted.transfer)[0]) == pytest.approx(0.05 / 144.07, rel=1e-3)
    assert route(module, fixture, setup, State(on=("mute",)), boards.port("left.out")) == "silent"


def test_a_part_in_series_is_named_once_and_a_bypassed_one_is_not() -> None:
    module = boards.module(
        controls=["bypass"],
        relays=[boards.change_over("K1", "bypass", "in", None, "out")],
        resistors=boards.in_series("R1", "in", "out", 1e3),
    )
    setup = boards.setup()
    fixture = boards.fixture(setup)
    words = [
        route(module, fixture, setup, state, boards.port("left.out"))
        for state in (IDLE, State(on=("bypass",)))
    ]
    assert words == ["in > R1 > out", "in > out"]


def test_a_route_through_an_amplifier_names_it_and_does_not_run_backwards() -> None:
    module = boards.module(amplifiers=[amplifier("U1", "in", "out")])
    forward, backward = boards.setup(), boards.setup("left.out", ["left.in"])
    fixture = boards.fixture(forward)
    assert route(module, fixture, forward, IDLE, boards.port("left.out")) == "in > U1 > out"
    assert route(module, fixture, backward, IDLE, boards.port("left.in")) == "silent"


def amplifier(
    name: str, from_net: str, to_net: str, gain: float = 1.0, output_ohm: float = 100.0
) -> Amplifier:
    return Amplifier(
        name=name,
        channel="left",
        from_net=from_net,
        to_net=to_net,
        gain=gain,
        input_ohm=10e3,
        output_ohm=output_ohm,
        common_mode_rejection_db=None,
    )


def test_relays_stand_as_their_lines_and_the_supply_say() -> None:
    relay = boards.change_over("K1", "on", "in", "out", None)
    latching = replace(relay, control=None, set_control="set", reset_control="reset")
    assert is_operated(relay, State(on=("on",)))
    assert not is_operated(relay, IDLE)
    assert not is_operated(relay, State(on=(), powered=False))
    assert is_operated(latching, State(on=("set",)))
    assert not is_operated(latching, State(on=("reset",)))
    assert not is_operated(latching, IDLE)
    assert is_operated(latching, State(on=("set",), powered=False))  # it keeps its side without the supply


def test_two_relays_that_fight_over_a_net_are_solved_as_they_are() -> None:
    """Both sources' contacts closed on one net: the idle one's 50 ohm legs load the driven one to a half."""
    module = boards.module(
        ports=["in", "aux", "out"],
        controls=["one", "two"],
        relays=[
            boards.change_over("K1", "one", "out", None, "in"),
            boards.change_over("K2", "two", "out", None, "aux"),
        ],
    )
    setup = boards.setup()
    fixture = boards.fixture(setup, undriven=boards.each_leg(50))
    fought = look(module, setup, fixture, State(on=("one", "two")))
    assert abs(differential(fought.transfer)[0]) == pytest.approx(0.5, rel=2e-3)


def test_amplifiers_fed_back_with_a_gain_of_one_have_no_solution_and_a_net_is_named() -> None:
    module = boards.module(
        amplifiers=[
            amplifier("U1", "ring", "back", output_ohm=0.0),
            amplifier("U2", "back", "ring", output_ohm=0.0),
        ],
        resistors=boards.in_series("R1", "in", "ring", 1e3),
    )
    setup = boards.setup(view=["left.in"])
    circuit = build_circuit(module, boards.fixture(setup), setup, IDLE, BENCH)
    with pytest.raises(CircuitError, match=r"no solution.*left\.(ring|back)\.(hot|cold)"):
        transfer(circuit, (1e3, 1e3))


def test_a_setup_that_drives_nothing_shows_nothing() -> None:
    setup = replace(boards.setup(), drive=None)
    prediction = look(SELECTOR, setup, boards.fixture(setup), IDLE)
    assert not prediction.transfer.any()
    assert prediction.live == (False,)


def test_a_through_setup_without_a_view_has_the_widest_setup_s_inputs() -> None:
    through = boards.setup(None, [])
    wide = boards.setup(view=["left.in", "left.out"])
    fixture = replace(boards.fixture(through), setups=(through, wide))
    assert look(SELECTOR, through, fixture, IDLE).transfer.shape == (4, 2)
