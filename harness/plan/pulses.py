"""Pulses: how latching relays come to stand as a state has them, and which control lines are on meanwhile.

One control line is pulsed after another, never two at once, so no relay is set and reset together. A state is
reached in the same way from everywhere, also from a start at which nobody knows how the relays stand: every
line that resets is pulsed, then those that set what the state has set.
"""

from collections.abc import Sequence
from dataclasses import replace

from harness.job.module import Module
from harness.job.state import IDLE_STATE, State, StateChange

TIMES = 2.0  # the greatest operate time that data sheets allow: common practice, no source


def held(module: Module, state: State) -> tuple[str, ...]:
    """Control lines that are on while a state lasts; in a pulse, the one that is pulsed last."""
    if not state.powered:
        return ()
    sets = module.set_controls
    on = tuple(control for control in state.on if control not in sets)
    return (*on, state.pulsed) if state.pulsed else on


def pulses_to(module: Module, state: State) -> tuple[str, ...]:
    """Control lines to pulse in turn so that latching relays stand as a state has them, wherever they are."""
    return (*module.reset_controls, *(control for control in module.set_controls if control in state.on))


def pulses_between(module: Module, before: State, after: State) -> tuple[str, ...]:
    """The same from a state in which they surely stand: no relay is moved that stands right already, but for
    those that share a reset line with one that is to be reset.
    """
    latching = [relay for relay in module.relays if relay.latches]
    falling = set(before.on) - set(after.on)
    resets = {relay.reset_control for relay in latching if relay.set_control in falling}
    swept = {relay.set_control for relay in latching if relay.reset_control in resets}
    rising = set(after.on) - (set(before.on) - swept)
    return tuple(
        [control for control in module.reset_controls if control in resets]
        + [control for control in module.set_controls if control in rising]
    )


def pulse_s(module: Module, control: str) -> float:
    """How long a control line is driven so that all its latching relays have surely moved, in seconds."""
    kinds = [relay.type for relay in module.relays if relay.latches and control in relay.coils]
    return TIMES * max((max(kind.operate_max_s, kind.release_max_s) for kind in kinds), default=0.0)


def as_recorded(module: Module, change: StateChange) -> StateChange | None:
    """A change of state with the pulse that makes it; None if several are needed, or other lines change."""
    pulses = pulses_between(module, change.before, change.after)
    if not pulses:
        return change
    if len(pulses) > 1 or held(module, change.before) != held(module, change.after):
        return None
    return replace(change, pulsed=pulses[0])


def pulsed_states(module: Module) -> tuple[State, ...]:
    """Each control line of latching relays driven alone, nothing else on."""
    pulsed = {*module.set_controls, *module.reset_controls}
    return tuple(State(on=(), pulsed=control) for control in module.control_names if control in pulsed)


def in_pulse(module: Module, state: State, control: str) -> State:
    """What is driven while one control line of latching relays is pulsed on the way to a state."""
    return State(on=held(module, replace(state, powered=True, pulsed="")), pulsed=control)


def pulses_in(module: Module, states: Sequence[State]) -> tuple[State, ...]:
    """Every control line of latching relays, driven beside what each of some states holds on."""
    return tuple(
        dict.fromkeys(
            in_pulse(module, state, pulse.pulsed) for state in states for pulse in pulsed_states(module)
        )
    )


def drawing_in(module: Module, state: State) -> tuple[str, ...]:
    """Names of the states of one control line alone whose coils together are driven in a state."""
    if not state.pulsed:
        return held(module, state)
    return (*held(module, replace(state, pulsed="")), State(on=(), pulsed=state.pulsed).name)


def control_line_states(module: Module) -> tuple[State, ...]:
    """Idle, then each control line driven alone."""
    pulsed = {state.pulsed: state for state in pulsed_states(module)}
    return (
        IDLE_STATE,
        *(pulsed.get(control, State(on=(control,))) for control in module.control_names),
    )
