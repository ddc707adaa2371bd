"""What stands on the bench and lies in the drawer, as far as a composed job depends on it."""

from collections.abc import Collection
from dataclasses import dataclass

from harness.bench_file import BenchFile
from harness.circuit.elements import BenchImpedances
from harness.errors import UsageError
from harness.job.fixture import Termination
from harness.job.module import Module
from harness.units import format_value

COMMON_LOAD = Termination(across_ohm=10e3)
USUAL_IMPEDANCES = BenchImpedances()
MATCHED_OHM = 600.0  # the impedance of pads at hand
FEWEST_INPUTS = 2  # a balanced port has two legs


@dataclass(frozen=True, kw_only=True)
class AtHand:
    """What a bench has.

    scope_inputs: a pair for each port in view. boards: how many switchboard channels there are, None if
    unknown. selectors: those that are free to make setups; (): a person moves the leads; None: all that no
    control line needs. loads: of which one is chosen. losses_db: of loopback plugs at hand, 0 for a straight
    one; none: coded plugs are designed. bench: None if the job names none.
    """

    scope_inputs: int = 4
    selectors: tuple[int, ...] | None = None
    boards: int | None = None
    loads: tuple[Termination, ...] = (COMMON_LOAD,)
    losses_db: tuple[float, ...] = ()
    impedances: BenchImpedances = USUAL_IMPEDANCES
    bench: BenchFile | None = None

    def words(self, *, loops: bool) -> str:
        """What it is, in part of a sentence. loops: whether the module has any, for plugs."""
        scope = f"a scope of {self.scope_inputs} inputs"
        if self.selectors:
            scope += f", setups by switchboard channels {_spans(self.selectors)}"
        else:
            scope += ", leads moved by hand"
        words = [scope, f"a load of {' or '.join(map(_load_words, self.loads))}"]
        if loops:
            losses = " and ".join(format_value(loss, "dB") for loss in self.losses_db)
            words.append(f"loopback plugs of {losses}" if losses else "coded loopback plugs")
        return ", ".join(words)

    @property
    def pairs(self) -> int:
        """How many ports can be in view at once."""
        return self.scope_inputs // 2

    def free(self, taken: Collection[int]) -> tuple[int, ...]:
        """Switchboard channels that can make setups, without those that are taken."""
        every = range(1, (self.boards or 0) + 1) if self.selectors is None else self.selectors
        return tuple(number for number in every if number not in taken)

    def check(self, module: Module) -> None:
        """Raise UsageError for what no job can be composed with."""
        controls = len(module.control_names)
        if self.scope_inputs < FEWEST_INPUTS:
            raise UsageError(
                f"the scope has {self.scope_inputs} input; expected 2 or more, one for each leg of a port"
            )
        if self.boards is not None and controls > self.boards:
            raise UsageError(
                f"module.toml has {controls} control lines and the switchboard {self.boards} channels; "
                "expected a channel for each control line"
            )
        chosen = self.selectors or ()
        if taken := [number for number in chosen if number <= controls]:
            raise UsageError(
                f"switchboard channel {taken[0]} energises a control line ({controls} control lines take "
                f"channels 1 to {controls}); expected selectors from {controls + 1} on"
            )
        if self.boards is not None and (beyond := [n for n in chosen if n > self.boards]):
            raise UsageError(
                f"there is no switchboard channel {beyond[0]}; the bench has channels 1 to {self.boards}"
            )


def _spans(numbers: Collection[int]) -> str:
    """`9 to 16, 20`."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


def _load_words(load: Termination) -> str:
    if load.leg_ohm is not None:
        return f"{format_value(load.leg_ohm, 'ohm')} from each leg"
    return format_value(load.across_ohm or 0.0, "ohm")
