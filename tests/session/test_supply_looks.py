"""A current counts against the unit only if no wire, late board or output that is off explains it."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from harness.errors import BadReply, OverCurrentError
from harness.job.job import load_job
from harness.job.state import State
from harness.roles import Identity, SupplyReading
from harness.session.supply_watch import LATEST_S, SupplyWatch

JOB = load_job(Path(__file__).parents[2] / "sequences" / "two_loop_switcher")
IDLE = State(on=())
SETTLE_S = 0.015 + 0.020  # the board's and the sequence's
IDLE_A, LOOP_A = (
    6e-3,
    29.9e-3,
)  # the pilot lamp; and two coils of 1028 ohm at 12 V beside it (12 V / 1028 ohm each)

LOOP_A_ON = State(on=("loop_a",))


@dataclass
class Bench:
    """A supply that shows these currents one after the other, the last one from then on, and its board.

    switched: what the supply's output and the board were told. once_on_a: the currents after the output was
    switched on again.
    """

    currents_a: list[float]
    waited_s: list[float] = field(default_factory=list)
    settle_s: float = 0.015
    reads_back: bool = True
    measures_current: bool = True
    voltages_v: list[float] = field(default_factory=list)
    once_on_a: list[float] = field(default_factory=list)
    closed: frozenset[int] = frozenset({1})
    switched: list[object] = field(default_factory=list)
    off_a: float | None = 0.0  # what the meter shows with the output off; None: it stands still
    on: bool = True
    open_a: float | None = None  # what the meter shows with every channel open; None: as before

    @property
    def identity(self) -> Identity:
        return Identity(role="supply", address="-", profile="-", text="-")

    def measure(self) -> SupplyReading:
        if not self.on and self.off_a is not None:
            return SupplyReading(voltage_v=0.0, current_a=self.off_a)
        if not self.closed and self.open_a is not None:
            return SupplyReading(voltage_v=12.0, current_a=self.open_a)
        return SupplyReading(voltage_v=_next(self.voltages_v, 12.0), current_a=_next(self.currents_a, 0.0))

    def set(self, closed: frozenset[int] = frozenset(), **setting: float) -> None:
        if not setting:
            self.switched.append(closed)
            self.closed = closed

    def switch(self, *, on: bool) -> None:
        self.switched.append(on)
        self.on = on
        if on and self.once_on_a:
            self.currents_a, self.voltages_v = list(self.once_on_a), [12.0]

    def wait(self, duration_s: float) -> None:
        self.waited_s.append(duration_s)

    def watch(self) -> SupplyWatch:
        plays: Any = self  # supply and switchboard
        return SupplyWatch(JOB.module, plays, plays, settle_s=SETTLE_S, wait=plays.wait)

    def check(self, state: State = IDLE) -> SupplyReading:
        return self.watch().check(state, limit_a=0.4)


def _next(values: list[float], default: float) -> float:
    """The next value; the last one stays."""
    return values.pop(0) if len(values) > 1 else values[0] if values else default


def test_a_board_that_is_late_is_no_over_current() -> None:
    bench = Bench([LOOP_A, IDLE_A])
    assert bench.check().current_a == IDLE_A
    assert bench.waited_s == pytest.approx([4 * SETTLE_S, SETTLE_S])


def test_a_current_that_stays_is_the_units() -> None:
    with pytest.raises(OverCurrentError, match=r"over-current in state idle: .* 106.0 mA"):
        Bench([IDLE_A + 0.1]).check()


@pytest.mark.parametrize("added", [0.8, 1.0, 1.2])
def test_a_unit_that_draws_idle_what_a_control_line_adds_is_not_failed(added: float) -> None:
    """A channel that stays closed and a line shorted in the unit draw the same."""
    with pytest.raises(BadReply, match="as much as loop_a or loop_b adds"):
        Bench([IDLE_A + added * (LOOP_A - IDLE_A)]).check()


def test_a_channel_that_stays_closed_while_the_lines_are_proven_is_the_benchs() -> None:
    """Idle is known by then: 53 mA with all channels open are none of the unit's."""
    bench = Bench([2 * LOOP_A], once_on_a=[LOOP_A])
    watch = bench.watch()
    watch.learn({"idle": IDLE_A})
    with pytest.raises(BadReply, match="the switchboard did not open a channel"):
        watch.check(LOOP_A_ON, limit_a=0.049)


def test_a_supply_at_its_limit_is_the_units_once_its_output_was_switched_off_and_on() -> None:
    bench = Bench([0.4])
    with pytest.raises(OverCurrentError, match=r"400\.0 mA"):
        bench.check()
    assert bench.switched == [frozenset(), False, True, frozenset({1})]


@pytest.mark.parametrize(("current_a", "voltage_v"), [(0.0, 0.01), (-1e-4, 0.0), (0.399, 3.1)])
def test_an_output_that_was_switched_off_is_the_benchs(current_a: float, voltage_v: float) -> None:
    """A hand, a plug, or the supply's own protection."""
    bench = Bench([current_a], voltages_v=[voltage_v], once_on_a=[LOOP_A])
    watch = bench.watch()
    assert watch.check(LOOP_A_ON, limit_a=0.4).current_a == LOOP_A
    assert "after its output was switched on again" in watch.troubles[0].text
    assert watch.troubles[0].spoilt == {("", "idle")}


def test_a_meter_that_stands_still_is_the_benchs() -> None:
    bench = Bench([IDLE_A], off_a=None)
    watch = bench.watch()
    watch.check(IDLE, limit_a=0.4)
    with pytest.raises(BadReply, match="its meter stands still"):
        watch.check(LOOP_A_ON, limit_a=0.4)


@pytest.mark.parametrize("voltage_v", [0.0, 12.0])
def test_a_meter_that_stood_still_with_another_unit_is_no_over_current(voltage_v: float) -> None:
    """It shows what the unit before drew in its last state."""
    bench = Stopped([0.4], voltages_v=[voltage_v])
    with pytest.raises(BadReply, match="its meter stands still"):
        bench.check()


def test_a_number_that_the_next_look_does_not_bear_out_is_the_benchs() -> None:
    with pytest.raises(BadReply, match="one of the two is impossible"):
        Bench([6.0, IDLE_A]).check()


def test_a_current_cut_before_its_exponent_is_the_benchs_below_zero_as_well() -> None:
    """A meter without a load reads a few microamperes to either side: "-5.1" of "-5.1E-05"."""
    with pytest.raises(BadReply, match="one of the two is impossible"):
        Bench([-5.1, IDLE_A]).check()


def test_a_board_that_answers_nothing_is_waited_for_until_its_line_draws() -> None:
    bench = Bench([IDLE_A, LOOP_A], reads_back=False)
    assert bench.check(LOOP_A_ON).current_a == LOOP_A
    assert bench.waited_s == pytest.approx([4 * SETTLE_S, SETTLE_S])


@pytest.mark.parametrize("reads_back", [True, False])
def test_a_control_line_that_draws_nothing_for_longer_than_a_board_can_be_late_is_the_units(
    reads_back: bool,
) -> None:
    bench = Bench([IDLE_A + 0.001 * (-1) ** n for n in range(100)], reads_back=reads_back)
    assert bench.check(LOOP_A_ON).current_a == pytest.approx(IDLE_A, abs=0.0011)
    after_all_were_opened_s = 8 * SETTLE_S
    assert sum(bench.waited_s) == pytest.approx(LATEST_S + after_all_were_opened_s, abs=4 * SETTLE_S)


def test_an_open_coil_under_a_coarse_meter_is_no_meter_that_stands_still() -> None:
    """The digits move when the output is switched off."""
    bench = Bench([IDLE_A], off_a=0.0)
    watch = bench.watch()
    currents_a = [watch.check(state, limit_a=0.4).current_a for state in (IDLE, LOOP_A_ON)]
    assert currents_a == [IDLE_A, IDLE_A]


def test_a_coarse_meter_may_show_the_same_digits_in_two_states() -> None:
    """Steps of 10 mA: one coil of 1028 ohm at 12 V more need not show."""
    bench = Bench([0.02])
    watch = bench.watch()
    watch.learn({"idle": 0.016, "loop_a": 0.024})
    assert [watch.check(state, limit_a=0.4).current_a for state in (IDLE, LOOP_A_ON)] == [0.02, 0.02]
    assert watch.troubles == []


@pytest.mark.parametrize("state", [IDLE, LOOP_A_ON])
def test_a_channel_that_does_not_open_is_the_benchs(state: State) -> None:
    bench = Bench([0.4], once_on_a=[LOOP_A])
    watch = bench.watch()
    watch.learn({"idle": IDLE_A, "loop_a": LOOP_A})
    with pytest.raises(BadReply, match="the switchboard did not open a channel"):
        watch.check(state, limit_a=0.4)


def test_a_line_more_than_the_unit_drew_before_is_a_channel_that_stayed_closed() -> None:
    """28.6 mA idle is less than what counts as over-current at 12 V, and no unit starts to draw it."""
    bench = Bench([IDLE_A + 22.6e-3])
    watch = bench.watch()
    watch.learn({"idle": IDLE_A, "loop_a": LOOP_A, "loop_b": LOOP_A, "swap": 76e-3})
    with pytest.raises(BadReply, match="the switchboard did not open a channel"):
        watch.check(IDLE, limit_a=0.4)


def test_what_the_unit_itself_draws_is_not_waited_for() -> None:
    """An open coil is known once the control lines were switched on one by one."""
    bench = Bench([IDLE_A, IDLE_A + 1e-4])
    watch = bench.watch()
    watch.learn({"idle": IDLE_A, "loop_a": IDLE_A})
    assert watch.check(LOOP_A_ON, limit_a=0.4).current_a == IDLE_A
    assert (bench.waited_s, watch.troubles) == ([], [])


def test_a_limit_that_a_late_board_brings_about_is_no_over_current() -> None:
    """The supply is limited for the next state while the unit is still in the one before."""
    assert Bench([0.4, IDLE_A], once_on_a=[IDLE_A]).check().current_a == IDLE_A


@pytest.mark.parametrize(
    ("currents_a", "voltages_v"),
    [
        ([1.228, 0.1228], [12.0, 1.2]),  # two answers one after the other lost their ends
        ([7.649, 7.651], [12.0, 12.0]),  # two currents did
        ([IDLE_A, IDLE_A], [1.2, 1.2]),  # two voltages did
    ],
)
def test_two_looks_that_no_supply_could_show_are_the_benchs(
    currents_a: list[float], voltages_v: list[float]
) -> None:
    with pytest.raises(BadReply, match="one of the two is impossible"):
        Bench(currents_a, voltages_v=voltages_v).check()


@pytest.mark.parametrize(("current_a", "voltage_v"), [(0.399, 3.1), (0.0, 0.01)])
def test_a_supply_in_its_limit_or_tripped_by_a_control_line_is_the_units(
    current_a: float, voltage_v: float
) -> None:
    bench = Bench([current_a], voltages_v=[voltage_v], open_a=IDLE_A)
    with pytest.raises(OverCurrentError, match="over-current in state loop_a"):
        bench.check(LOOP_A_ON)


def test_a_supply_at_its_limit_with_every_channel_open_is_the_units() -> None:
    with pytest.raises(OverCurrentError, match="over-current in state idle"):
        Bench([0.399], voltages_v=[3.1]).check()


@pytest.mark.parametrize("knows_idle", [False, True])
def test_an_output_that_goes_off_with_every_channel_open_is_the_benchs(knows_idle: bool) -> None:
    watch = Bench([0.0], voltages_v=[0.01]).watch()
    if knows_idle:
        watch.learn({"idle": IDLE_A})
    with pytest.raises(BadReply, match="its own protection switches it off"):
        watch.check(LOOP_A_ON, limit_a=0.4)


class Stopped(Bench):
    """A bench whose meter shows the same whatever is switched."""

    def measure(self) -> SupplyReading:
        return SupplyReading(voltage_v=self.voltages_v[0], current_a=self.currents_a[0])


class Missing(Bench):
    """A bench whose board misses a channel the first time, and a unit that draws so much once it does not."""

    then_a: float = LOOP_A
    opened: bool = False

    def measure(self) -> SupplyReading:
        made = self.opened and bool(self.closed)
        return SupplyReading(voltage_v=12.0, current_a=self.then_a if made else IDLE_A)

    def set(self, closed: frozenset[int] = frozenset(), **setting: float) -> None:
        super().set(closed, **setting)
        self.opened = self.opened or (not setting and not closed)


@pytest.mark.parametrize("known", [{}, {"idle": IDLE_A, "loop_a": LOOP_A}])
def test_a_control_line_that_the_board_missed_is_set_again(known: dict[str, float]) -> None:
    """It acknowledges, reads back closed and has not moved: common practice, no source."""
    watch = Missing([]).watch()
    watch.learn(known)
    assert watch.check(LOOP_A_ON, limit_a=0.4).current_a == LOOP_A
    assert "after all channels were opened and the state was set again" in watch.troubles[-1].text


KNOWN = {"idle": IDLE_A, "loop_a": LOOP_A, "loop_b": LOOP_A, "swap": 76e-3}
ONE_COIL_LESS_A = (IDLE_A + LOOP_A) / 2  # two alike on the line: closed form


@pytest.mark.parametrize(("lacking_a", "of_bench"), [(IDLE_A, True), (ONE_COIL_LESS_A, False)])
def test_a_board_is_late_with_a_whole_line_and_never_with_one_coil_of_two(
    lacking_a: float, of_bench: bool
) -> None:
    watch = Bench([lacking_a, LOOP_A]).watch()
    watch.learn(KNOWN)
    watch.enters("left", LOOP_A_ON)
    assert watch.check(LOOP_A_ON, limit_a=0.4).current_a == LOOP_A
    (trouble,) = watch.troubles
    assert trouble.of_bench is of_bench
    assert trouble.spoilt == {("", "idle"), ("left", "loop_a")}
    assert ("a coil of the unit or the wire" in trouble.text) is not of_bench


def test_a_line_that_fails_after_it_was_seen_right_is_no_late_board() -> None:
    """Nothing was set in between."""
    watch = Bench([LOOP_A, IDLE_A, LOOP_A]).watch()
    watch.learn(KNOWN)
    watch.enters("left", LOOP_A_ON)
    for _ in range(2):
        assert watch.check(LOOP_A_ON, limit_a=0.4).current_a == LOOP_A
    assert [trouble.of_bench for trouble in watch.troubles] == [False]


def test_a_coil_that_goes_while_its_current_is_averaged_is_no_late_board() -> None:
    watch = Bench([LOOP_A, LOOP_A, ONE_COIL_LESS_A, LOOP_A]).watch()
    watch.learn(KNOWN)
    watch.enters("left", LOOP_A_ON)
    assert watch.average(LOOP_A_ON, limit_a=0.4).current_a == pytest.approx(LOOP_A)
    assert [trouble.of_bench for trouble in watch.troubles] == [False]


@pytest.mark.parametrize("averaged", [False, True])
def test_an_output_that_goes_off_between_voltage_and_current_is_no_coil(averaged: bool) -> None:
    """The meter is asked for the voltage first: 12 V, and then no current."""
    bench = Bench([LOOP_A, 0.0, 0.0], voltages_v=[12.0, 12.0, 0.01], once_on_a=[IDLE_A, LOOP_A])
    watch = bench.watch()
    watch.learn(KNOWN)
    watch.enters("left", LOOP_A_ON)
    if not averaged:
        watch.check(LOOP_A_ON, limit_a=0.4)
    look = watch.average if averaged else watch.check
    assert look(LOOP_A_ON, limit_a=0.4).current_a == pytest.approx(LOOP_A)
    assert watch.troubles
    assert all(trouble.of_bench for trouble in watch.troubles)


class ComesAndGoes(Missing):
    """A bench whose line draws nothing at first, and then again at some of its operations."""

    fails_at: tuple[int, ...] = ()
    operated: int = 0

    def measure(self) -> SupplyReading:
        gone = self.operated in self.fails_at
        return SupplyReading(voltage_v=12.0, current_a=IDLE_A if gone or not self.closed else LOOP_A)

    def set(self, closed: frozenset[int] = frozenset(), **setting: float) -> None:
        super().set(closed, **setting)
        self.operated += bool(closed)


@pytest.mark.parametrize(("fails_at", "of_bench"), [((0,), True), ((0, 5), False), ((0, 2, 11), False)])
def test_a_line_that_failed_once_is_operated_ten_times_more_before_it_counts_as_the_boards(
    fails_at: tuple[int, ...], of_bench: bool
) -> None:
    """A command that was missed passes by. A wire that fails at every third operation: 0.98 to be seen."""
    bench = ComesAndGoes([])
    bench.fails_at = fails_at
    watch = bench.watch()
    watch.learn(KNOWN)
    watch.enters("left", LOOP_A_ON)
    assert watch.check(LOOP_A_ON, limit_a=0.4).current_a == LOOP_A
    (trouble,) = watch.troubles
    assert trouble.of_bench is of_bench
    assert f"too little again in {len(fails_at) - 1} of 10 further operations" in trouble.text
    assert bench.closed == frozenset({1})


def test_an_output_that_went_off_may_have_spoilt_all_that_was_set_since_it_was_seen_on() -> None:
    """Unpowered states hide it, and the next setup's first look shows it."""
    bench = Bench([LOOP_A, 0.0], voltages_v=[12.0, 0.01], once_on_a=[IDLE_A, LOOP_A])
    watch = bench.watch()
    watch.enters("left", LOOP_A_ON)
    watch.check(LOOP_A_ON, limit_a=0.4)
    watch.enters("left", IDLE)
    watch.enters("right", LOOP_A_ON)
    watch.check(LOOP_A_ON, limit_a=0.4)
    (trouble,) = watch.troubles
    assert trouble.of_bench
    assert trouble.spoilt == {("left", "loop_a"), ("left", "idle"), ("right", "loop_a")}


def test_a_coil_that_draws_nothing_when_its_line_is_set_again_is_the_units() -> None:
    bench = Missing([])
    bench.then_a = IDLE_A
    watch = bench.watch()
    watch.learn({"idle": IDLE_A, "loop_a": LOOP_A})
    assert watch.check(LOOP_A_ON, limit_a=0.4).current_a == IDLE_A
    assert watch.troubles == []


class Sticking(Bench):
    """A bench whose channel stays closed until all are opened once."""

    def set(self, closed: frozenset[int] = frozenset(), **setting: float) -> None:
        super().set(closed, **setting)
        if not setting and not closed:
            self.currents_a = [IDLE_A]


def test_a_channel_that_lets_go_when_all_are_opened_is_noted() -> None:
    """What was measured meanwhile is in doubt, and no contact of the unit."""
    watch = Sticking([IDLE_A + 22.6e-3]).watch()
    watch.learn({"idle": IDLE_A, "loop_a": LOOP_A, "loop_b": LOOP_A, "swap": 76e-3})
    assert watch.check(IDLE, limit_a=0.4).current_a == IDLE_A
    assert "after all channels were opened and the state was set again" in watch.troubles[-1].text
