"""Checks that would give no reading at a port or in a state: refused before a run, with what helps. Pure."""

from collections.abc import Iterable, Iterator
from itertools import islice

from harness.errors import JobError
from harness.job.fixture import PortName
from harness.job.job import Job
from harness.job.sequence import Check
from harness.job.state import IDLE_STATE, State, StateChange, single_control_states
from harness.plan.model import Plan, Planned, driven_channel
from harness.plan.state_changes import Routes, best_view, changes_of, fits, fitting_setups, races_of
from harness.quantities.change import as_of_change

SOME = 3  # examples of what would help

ChannelNet = tuple[str, str]  # the driven channel, or the channel that is read if nothing drives it; a net


def refuse_unread(job: Job, plan: Plan) -> None:
    """Raise JobError with each check that gives no reading at a port of a channel, or in a state it names."""
    routes = Routes(job=job, impedances=plan.impedances)
    mistakes = [
        check.mistake(message)
        for check in job.sequence.checks
        for message in (
            _changes_unread(routes, plan, check)
            if check.quantity.family == "change"
            else _unread(routes, plan, check)
        )
    ]
    if mistakes:
        raise JobError(mistakes)


def _unread(routes: Routes, plan: Plan, check: Check) -> Iterator[str]:
    """What a check in states lacks: every reading at a port, else those of a state that it names."""
    job, words = routes.job, check.quantity.spoken
    if check.quantity.family == "supply":
        if not _of_check(plan, check):
            yield "none of its states has the relay supply on; expected one that has, such as idle"
        return
    read = set(_read(plan, check))
    channels = [""] if check.quantity.between_channels else job.sequence.channels
    missing = [(channel, net) for net in check.at for channel in channels if (channel, net) not in read]
    if missing:
        ports = ", ".join(dict.fromkeys(f"{channel}.{net}".removeprefix(".") for channel, net in missing))
        yield f"gives no {words} at {ports}: {_why(routes, check, missing)}"
        return
    states_read = {reading.measurand.state for reading in _of_check(plan, check)}
    if check.quantity.family == "cycle":
        states_read.add(IDLE_STATE.name)
    silent = [state.name for state in check.states or () if state.name not in states_read]
    if silent:
        yield f"gives no {words} in {', '.join(silent)}: {_why(routes, check, [])}"


def _read(plan: Plan, check: Check) -> Iterator[ChannelNet]:
    for reading in _of_check(plan, check):
        channel = driven_channel(reading) if check.quantity.driven else reading.measurand.channel
        yield ("" if check.quantity.between_channels else channel), reading.measurand.net


def _of_check(plan: Plan, check: Check) -> list[Planned]:
    return [reading for reading in plan.readings if reading.key.check == check.name]


def _why(routes: Routes, check: Check, missing: Iterable[ChannelNet]) -> str:
    """Why a check in states gives nothing there, and what would."""
    job = routes.job
    if check.quantity.family == "cycle":
        some = ", ".join(f'"{control}"' for control in job.module.control_names[:SOME])
        return (
            f"control lines are operated one by one, from idle; expected states such as {some}, or no states"
        )
    if check.quantity.between_channels:
        if len(job.sequence.channels) < len(job.module.channels):
            return f'the sequence drives {", ".join(job.sequence.channels)} alone; expected channels = "all"'
        if _is_live(routes, check, missing, None):
            return (
                "expected a [[setup]] of each channel, with the same drive and plugs, in which it is viewed"
            )
    if own := check.quantity.unread(check.options):
        return own
    live = _is_live(routes, check, missing, job.sequence.states)
    some = f", such as {', '.join(live[:SOME])}" if live else ""
    return f"the drive does not reach this port; expected states in which it does{some}"


def _is_live(
    routes: Routes, check: Check, missing: Iterable[ChannelNet], states: Iterable[State] | None
) -> list[str]:
    """The names of these states, or of the check's own, in which the drive reaches the first missing port."""
    job = routes.job
    own = [state for state in job.sequence.states if check.covers(state)]
    channel, net = next(iter(missing), (job.sequence.channels[0], check.at[0]))
    port = PortName(channel=channel or job.module.channels[0], net=net)
    setups = fitting_setups(job, port)
    hz = check.tone.frequency_hz
    return [
        state.name
        for state in (own if states is None else states)
        if any(abs(routes.transfer(h, state, hz)[h.rows(port)[0]]).max() > 1e-3 for h in setups)
    ]


def _changes_unread(routes: Routes, plan: Plan, check: Check) -> Iterator[str]:
    """What a check of changes of state lacks: every reading at a port, else those of a race that it names."""
    job, words = routes.job, check.quantity.spoken
    read = {
        (reading.measurand.state, reading.measurand.channel, reading.measurand.net)
        for reading in _of_check(plan, check)
    }
    changes = changes_of(check, job.sequence.states)
    for channel in job.sequence.channels:
        for net in check.at:
            seen = [change for change in changes if (change.name, channel, net) in read]
            port = PortName(channel=channel, net=net)
            if not seen:
                yield f"gives no {words} at {port}: {_why_no_change(routes, check, changes, port)}"
                continue
            races = races_of(check, job.sequence.states)
            for race in (race for race in races if race not in seen):
                why = _why_no_change(routes, check, [race], port)
                yield f"gives no {words} at {port} in {race.name}: {why}"


def _why_no_change(routes: Routes, check: Check, changes: Iterable[StateChange], port: PortName) -> str:
    """Why no change of state shows what is asked, and which would."""
    setups = fitting_setups(routes.job, port)
    if not setups:
        return (
            f"no [[setup]] drives {port.channel} and views {port}, other than with inputs swapped or a "
            "resistor added; expected one"
        )
    changes = list(changes)
    quantity = as_of_change(check.quantity)
    if not changes:
        reason = "no two of its states differ by one control line" + (
            " that this is a time of" if quantity.direction else ""
        )
    elif quantity.of_one_relay and (names := _several(routes, check, changes, port)):
        reason = f"several relays move at the same time ({', '.join(names)}), and their gaps overlap"
    else:
        reason = quantity.not_shown
    would = list(islice(_would(routes, check, port), SOME))
    if would:
        return f"{reason}; expected states with a change such as {', '.join(would)}"
    return f"{reason}; and no change of one control line from idle would show it: omit this port"


def _several(routes: Routes, check: Check, changes: Iterable[StateChange], port: PortName) -> tuple[str, ...]:
    """Relays whose gaps overlap, at the first change of state that would else show a gap."""
    for change in changes:
        for setup in fitting_setups(routes.job, port):
            for leg in routes.of_port(setup, change, port, check.tone.frequency_hz):
                if leg.breaks and leg.closes and len(leg.relays) > 1:
                    return leg.relays
    return ()


def _would(routes: Routes, check: Check, port: PortName) -> Iterator[str]:
    """Changes of one control line from idle, or back, that would show what is asked."""
    setups = fitting_setups(routes.job, port)
    for state in single_control_states(routes.job.module.control_names)[1:]:
        for before, after in ((IDLE_STATE, state), (state, IDLE_STATE)):
            change = StateChange(before=before, after=after)
            if fits(check, change) and best_view(routes, check, change, port, setups).legs:
                yield f'"{change.name}"'
