"""A two-loop board with coded plugs, against a simulation of its own: benchmarks/coded_plugs.py."""

from math import log10

import pytest

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import predict_states
from harness.circuit.routes import route
from harness.job.fixture import Fixture, Loopback, LoopbackLeg, Setup
from harness.job.state import State
from tests.circuit import boards

CHANNELS = ("left", "right")
PORTS = ("in", "out", "a_send", "a_return", "b_send", "b_return")


def plug(name: str, loop: str, ohms: dict[str, tuple[float, float, float, float]]) -> Loopback:
    return Loopback(
        name=name,
        from_net=f"{loop}_send",
        to_net=f"{loop}_return",
        legs={
            channel: {
                "hot": LoopbackLeg(series_ohm=hot, shunt_ohm=hot_shunt),
                "cold": LoopbackLeg(series_ohm=cold, shunt_ohm=cold_shunt),
            }
            for channel, (hot, hot_shunt, cold, cold_shunt) in ohms.items()
        },
        pad_db=None,
        pad_impedance_ohm=None,
        tolerance=0.01,
        plug=None,
    )


PLUG_A = plug("pad_a", "a", {"left": (470, 1e3, 560, 1e3), "right": (680, 1e3, 820, 1e3)})
PLUG_B = plug("pad_b", "b", {"left": (2200, 4700, 2700, 4700), "right": (3300, 4700, 3900, 4700)})

# The send always live ("half"): one change-over per loop, three for the order.
CONTACTS = [
    ("a", "a_out", "a_send", "a_return"),
    ("b", "b_out", "b_send", "b_return"),
    ("swap", "a_send", "in", "b_out"),
    ("swap", "b_send", "a_out", "in"),
    ("swap", "out", "b_out", "a_out"),
]
MODULE = boards.module(
    channels=CHANNELS,
    ports=PORTS,
    controls=["a", "b", "swap"],
    relays=[
        boards.change_over(f"K{number + 5 * place}", *contact, channel=channel)
        for place, channel in enumerate(CHANNELS)
        for number, contact in enumerate(CONTACTS, start=1)
    ],
)

# Output of each leg, dB re its e.m.f., 50 ohm legs, floating 10 kohm: left hot, cold, right hot, cold.
# Own simulation, benchmarks/coded_plugs.py, which shares no code with the harness.
OUT_DB = {
    "": (-0.435, -0.415, -0.392, -0.369),
    "swap": (-0.436, -0.415, -0.392, -0.369),
    "a": (-4.589, -5.197, -5.849, -6.665),
    "a+swap": (-4.255, -4.851, -5.488, -6.296),
    "b": (-5.868, -7.019, -7.639, -8.825),
    "b+swap": (-10.708, -11.908, -12.755, -13.710),
    "a+b": (-9.658, -11.543, -12.555, -14.772),
    "a+b+swap": (-13.912, -15.605, -16.969, -18.593),
}
ROUTES = {
    "": "in > out",
    "swap": "in > out",
    "a": "in > a_send > pad_a > a_return > out",
    "a+swap": "in > a_send > pad_a > a_return > out",
    "b": "in > b_send > pad_b > b_return > out",
    "b+swap": "in > b_send > pad_b > b_return > out",
    "a+b": "in > a_send > pad_a > a_return > b_send > pad_b > b_return > out",
    "a+b+swap": "in > b_send > pad_b > b_return > a_send > pad_a > a_return > out",
}


def driven(channel: str) -> tuple[Setup, Fixture]:
    setup = boards.setup(f"{channel}.in", [f"{channel}.out"], loopbacks=["pad_a", "pad_b"])
    loads = {"out": boards.across(10e3)}
    return setup, boards.fixture(setup, loads=loads, loopbacks=[PLUG_A, PLUG_B])


def state(name: str) -> State:
    return State(on=tuple(name.split("+")) if name else ())


@pytest.mark.parametrize("name", OUT_DB)
@pytest.mark.parametrize("channel", CHANNELS)
def test_every_leg_of_every_loop_shows_its_key(name: str, channel: str) -> None:
    setup, fixture = driven(channel)
    (prediction,) = predict_states(
        MODULE,
        fixture,
        setup,
        [state(name)],
        frequencies_hz=(1e3, 1e3),
        impedances=BenchImpedances(input_ohm=10e6),
    )
    expected = OUT_DB[name][2 * CHANNELS.index(channel) :][:2]
    antiphase = (prediction.transfer[:, 0] - prediction.transfer[:, 1]) * (1, -1)
    assert [20 * log10(abs(leg)) for leg in antiphase] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("name", ROUTES)
@pytest.mark.parametrize("channel", CHANNELS)
def test_the_route_names_ports_and_plugs_in_the_order_of_the_signal(name: str, channel: str) -> None:
    setup, fixture = driven(channel)
    port = boards.port(f"{channel}.out")
    assert route(MODULE, fixture, setup, state(name), port) == ROUTES[name]


def test_nothing_reaches_the_other_channel() -> None:
    setup, fixture = driven("left")
    assert route(MODULE, fixture, setup, state("a"), boards.port("right.out")) == "silent"


def test_without_its_plug_a_loop_that_is_in_is_silent() -> None:
    setup = boards.setup(loopbacks=["pad_b"])
    fixture = boards.fixture(setup, loads={"out": boards.across(10e3)}, loopbacks=[PLUG_A, PLUG_B])
    words = [route(MODULE, fixture, setup, state(name), boards.port("left.out")) for name in ("a", "b")]
    assert words == ["silent", "in > b_send > pad_b > b_return > out"]
