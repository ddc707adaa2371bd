"""Switch states (the control lines that are on, and whether the relay supply is) and changes from one to
another.

A latching relay stands where the last pulse left it: a state names the control line that sets it if it is
set, and no line if it is reset. That line is on for the pulse alone.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from harness.toml_files.messages import did_you_mean, unknown

IDLE = "idle"
UNPOWERED = "unpowered"
BECOMES = " > "  # in the name of a change of state, and of no state
PULSED = " pulsed"  # in the name of a state while a latching relay's coil is driven
Direction = Literal["operate", "release", "mixed"]


@dataclass(frozen=True, kw_only=True)
class State:
    """The control lines that are on, in the module's order, and those that set the latching relays that are
    set; `unpowered` is the supply off, and no control line on.

    pulsed: a control line that sets or resets latching relays, while it is driven; "" at rest.
    """

    on: tuple[str, ...]
    powered: bool = True
    pulsed: str = ""

    @property
    def name(self) -> str:
        """`loop_a+swap`, `idle` or `unpowered`; `mic+unpowered` with relays set, `mic pulsed` in a pulse."""
        if self.pulsed:
            return "+".join((*self.on, f"{self.pulsed}{PULSED}"))
        if not self.powered:
            return "+".join((*self.on, UNPOWERED))
        return "+".join(self.on) or IDLE


@dataclass(frozen=True, kw_only=True)
class StateChange:
    """A change of state: of one control line, or of several at once (a race).

    pulsed: the control line that a pulse makes it by, if latching relays change; "" if none do.
    """

    before: State
    after: State
    pulsed: str = ""

    @property
    def name(self) -> str:
        """`idle > loop_a`."""
        return f"{self.before.name}{BECOMES}{self.after.name}"

    @property
    def controls(self) -> tuple[str, ...]:
        """Control lines whose voltage changes."""
        if self.pulsed:
            return (self.pulsed,)
        changing = set(self.before.on) ^ set(self.after.on)
        return tuple(control for control in (*self.before.on, *self.after.on) if control in changing)

    @property
    def direction(self) -> Direction:
        """Whether control lines are only energised, only released, or some of each."""
        if set(self.before.on) < set(self.after.on):
            return "operate"
        return "release" if set(self.after.on) < set(self.before.on) else "mixed"


IDLE_STATE = State(on=())
UNPOWERED_STATE = State(on=(), powered=False)


def single_control_states(controls: Sequence[str]) -> tuple[State, ...]:
    """Idle, then each control line on alone."""
    return (IDLE_STATE, *(State(on=(control,)) for control in controls))


def all_states(controls: Sequence[str]) -> tuple[State, ...]:
    """Every combination of the control lines, in Gray-code order: one changes from each to the next."""
    codes = (index ^ (index >> 1) for index in range(1 << len(controls)))
    return tuple(
        State(on=tuple(control for bit, control in enumerate(controls) if code >> bit & 1)) for code in codes
    )


def parse_state(
    text: str, controls: tuple[str, ...], *, sets: Sequence[str] = (), resets: Sequence[str] = ()
) -> State:
    """Read a state as people write it, its control lines in any order; ValueError says what was expected.

    controls: those that a state may name. sets: which of them set latching relays. resets: those that reset
    latching relays, which no state names.
    """
    if text == UNPOWERED:
        return UNPOWERED_STATE
    if text == IDLE:
        return IDLE_STATE
    wanted = [control.strip() for control in text.split("+")]
    powered = UNPOWERED not in wanted or len(wanted) == 1
    if not powered:
        wanted.remove(UNPOWERED)
        if other := [control for control in wanted if control in controls and control not in sets]:
            raise ValueError(
                f'found state "{text}"; expected beside unpowered only control lines that set latching '
                f"relays: {other[0]} does nothing without the relay supply"
            )
    for control in wanted:
        if control in resets:
            raise ValueError(
                f'found state "{text}": {control} resets latching relays; a state names the control lines of '
                f"the relays that are set, and resets the others itself, so leave {control} out"
            )
        if control not in controls:
            message = unknown("control line", control, controls, where="module.toml")
            if len(wanted) == 1 and "did you mean" not in message:
                message += did_you_mean(control, (IDLE, UNPOWERED))
            raise ValueError(f'found state "{text}": {message}')
    if len(set(wanted)) < len(wanted):
        raise ValueError(f'found state "{text}"; expected every control line once')
    return State(on=tuple(control for control in controls if control in wanted), powered=powered)


def single_control_changes(states: Sequence[State]) -> tuple[StateChange, ...]:
    """Every change of one control line between two of these states, both ways; the supply stays on."""
    powered = [state for state in states if state.powered]
    return tuple(
        StateChange(before=before, after=after)
        for before in powered
        for after in powered
        if len(set(before.on) ^ set(after.on)) == 1
    )


def named_change(name: str, states: Iterable[State]) -> StateChange:
    """The change of state of that name, `loop_a > loop_b`, between two of these states."""
    before, after = name.split(BECOMES)
    known = {state.name: state for state in states}
    return StateChange(before=known[before], after=known[after])
