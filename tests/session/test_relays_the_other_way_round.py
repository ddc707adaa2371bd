"""A relay board whose outputs are inverted drives what it should release: its profile is wrong, no unit."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from harness.errors import BadReply, OverCurrentError, ProfileMismatch
from harness.job.job import Job, load_job
from harness.roles import Bench, Identity, SupplyReading
from harness.session.context import bench_context
from harness.session.control_currents import energise
from harness.session.open_bench import unobserved

SEQUENCES = Path(__file__).parents[2] / "sequences"


@dataclass
class Wired:
    """A supply at its limit or not (Ohm's law), a unit of coils and perhaps a short, and a board.

    conductance_s: of each control line's coils, by its channel. inverted: whether a channel that is told to
    open closes. trips: whether the supply switches itself off at its limit, until it is switched on again.
    """

    conductance_s: Mapping[int, float]
    inverted: bool = False
    trips: bool = False
    has_tripped: bool = False
    short_s: float = 0.0
    idle_a: float = 0.0
    voltage_v: float = 0.0
    limit_a: float = 0.0
    on: bool = False
    closed: frozenset[int] = frozenset()
    measures_current: bool = True
    reads_back: bool = False
    settle_s: float = 0.0
    identity: Identity = field(default=Identity(role="switchboard", address="-", profile="-", text="-"))
    most_closed: int = 0

    @property
    def identities(self) -> tuple[Identity, ...]:
        return (self.identity,)

    def set(
        self, closed: frozenset[int] | None = None, *, voltage_v: float = 0.0, limit_a: float = 0.0
    ) -> None:
        if closed is None:
            self.voltage_v, self.limit_a = voltage_v, limit_a
            return
        self.closed = closed
        self.most_closed = max(self.most_closed, len(closed))

    def switch(self, *, on: bool) -> None:
        self.on, self.has_tripped = on, False

    def measure(self) -> SupplyReading:
        driven = (
            self.conductance_s.keys() - self.closed
            if self.inverted
            else self.conductance_s.keys() & self.closed
        )
        whole_s = sum(self.conductance_s[n] for n in driven) + self.short_s + self.idle_a / self.voltage_v
        self.has_tripped |= self.trips and self.voltage_v * whole_s > self.limit_a
        is_on = self.on and not self.has_tripped
        voltage_v = min(self.voltage_v, self.limit_a / whole_s) if is_on else 0.0
        return SupplyReading(voltage_v=voltage_v, current_a=voltage_v * whole_s)

    def prepare(self) -> None:
        pass

    def off(self) -> None:
        self.on = False

    recover = off


def energised(job: Job, **wired: Any) -> Wired:
    """Switch the control lines of a job's unit one by one."""
    module = job.module
    ohms = {
        channel: [
            relay.type.coil_ohm
            for relay in module.relays
            if control in (*relay.coils, relay.operating_control)
        ]
        for control, channel in job.fixture.controls.items()
    }
    made = Wired(
        conductance_s={channel: sum(1 / ohm for ohm in each) for channel, each in ohms.items()},
        idle_a=module.supply.quiescent_a,
        **wired,
    )
    plays: Any = made  # all four instruments
    bench = Bench(generator=plays, oscilloscope=plays, supply=plays, switchboard=plays)
    energise(bench_context(job, bench, unobserved))
    return made


@pytest.mark.parametrize("name", ["two_loop_switcher", "monitor_panel"])
def test_a_board_that_is_inverted_is_told_and_no_unit_blamed(name: str) -> None:
    job = load_job(SEQUENCES / name)
    energised(job)
    with pytest.raises(ProfileMismatch, match=r"the relays work the other way round\. Look at active_low"):
        energised(job, inverted=True)


@pytest.mark.parametrize("name", ["two_loop_switcher", "monitor_panel"])
def test_a_unit_with_a_short_has_over_current_all_the_same(name: str) -> None:
    with pytest.raises(OverCurrentError, match="over-current in state idle"):
        energised(load_job(SEQUENCES / name), short_s=1.0)


@pytest.mark.parametrize("name", ["two_loop_switcher", "monitor_panel"])
@pytest.mark.parametrize("cause", [{"inverted": True}, {"short_s": 1.0}])
def test_a_supply_that_trips_at_once_blames_nobody_and_names_what_to_look_at(
    name: str, cause: dict[str, Any]
) -> None:
    """At 0 V every cause looks the same, and each latching relay may stand anywhere."""
    with pytest.raises(BadReply) as stopped:
        energised(load_job(SEQUENCES / name), trips=True, **cause)
    assert "0.0 mA at 0.00 V" in str(stopped.value)
    for suspect in ("its leads", "a short at the unit's supply pins", "active_low in its profile"):
        assert suspect in str(stopped.value)


def test_no_two_coils_of_a_latching_relay_are_driven_at_once() -> None:
    assert energised(load_job(SEQUENCES / "monitor_panel")).most_closed == 1
