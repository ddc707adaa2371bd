"""Switch states (the control lines that are on, and whether the relay supply is) and changes from one to
another.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from harness.toml_files.messages import did_you_mean, unknown

IDLE = "idle"
UNPOWERED = "unpowered"
BECOMES = " > "  # in the name of a change of state, and of no state
Direction = Literal["operate", "release", "mixed"]


@dataclass(frozen=True, kw_only=True)
class State:
    """The control lines that are on, in the module's order; `unpowered` is the supply off, and none on."""

    on: tuple[str, ...]
    powered: bool = True

    @property
    def name(self) -> str:
        """`loop_a+swap`, `idle` or `unpowered`."""
        if not self.powered:
            return UNPOWERED
        return "+".join(self.on) or IDLE


@dataclass(frozen=True, kw_only=True)
class StateChange:
    """A change of state: of one control line, or of several at once (a race)."""

    before: State
    after: State

    @property
    def name(self) -> str:
        """`idle > loop_a`."""
        return f"{self.before.name}{BECOMES}{self.after.name}"

    @property
    def controls(self) -> tuple[str, ...]:
        """Control lines that change."""
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


def parse_state(text: str, controls: tuple[str, ...]) -> State:
    """Read a state as people write it, its control lines in any order; ValueError says what was expected."""
    if text == UNPOWERED:
        return UNPOWERED_STATE
    if text == IDLE:
        return IDLE_STATE
    wanted = [control.strip() for control in text.split("+")]
    for control in wanted:
        if control not in controls:
            message = unknown("control line", control, controls, where="module.toml")
            if len(wanted) == 1 and "did you mean" not in message:
                message += did_you_mean(control, (IDLE, UNPOWERED))
            raise ValueError(f'found state "{text}": {message}')
    if len(set(wanted)) < len(wanted):
        raise ValueError(f'found state "{text}"; expected every control line once')
    return State(on=tuple(control for control in controls if control in wanted))


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
