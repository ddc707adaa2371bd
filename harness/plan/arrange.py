"""The order of everything: hookups, in each of them states, in each of them acquisitions."""

from harness.job.fixture import Hookup
from harness.job.state import State
from harness.plan.draft import Draft
from harness.plan.model import Acquisition, Cycle, HookupVisit, StateVisit, Stimulus
from harness.quantities.quantity import LOW_LEVEL_VRMS


def is_dry(stimulus: Stimulus) -> bool:
    """Whether a stimulus leaves a film on a contact as it is."""
    return stimulus.kind == "pair" and stimulus.level_vrms <= LOW_LEVEL_VRMS * (1 + 1e-9)


def arrange(
    draft: Draft,
    ordered: tuple[Hookup, ...],
    walk: tuple[State, ...],
    *,
    cycles: tuple[Cycle, ...],
    edged: tuple[Hookup, ...],
) -> tuple[HookupVisit, ...]:
    """Walk through the states of each hookup, forth in one and back in the next.

    Volts mend bad contacts. So what is recorded at a dry level comes before anything louder: in every hookup
    that relays select before the first loud one, in one that needs hands before it is driven louder itself.
    Lines that are operated again and again are so before a visit's states. edged: hookups that changes of
    state are recorded in.
    """
    walking = _Walk(draft=draft, walk=walk)
    visits: list[HookupVisit] = []
    for hookup in ordered:
        here = tuple(cycle for cycle in cycles if cycle.hookup == hookup.name)
        if hookup.select is not None and ((dry := walking.through(hookup, dry=True)) or here):
            visits.append(HookupVisit(hookup=hookup, states=dry, cycles=here))
    for hookup in ordered:
        first = () if hookup.select is not None else walking.through(hookup, dry=True)
        made = (*first, *walking.through(hookup, dry=False))
        here = tuple(one for one in cycles if one.hookup == hookup.name and hookup.select is None)
        if made or here or hookup in edged:
            visits.append(HookupVisit(hookup=hookup, states=made, cycles=here))
    return tuple(visits)


class _Walk:
    """A walk through the states, hookup by hookup, and where it stands.

    That is which way it goes, what the generator does last, and whose supply current has been read.
    """

    def __init__(self, *, draft: Draft, walk: tuple[State, ...]) -> None:
        self._draft, self._walk = draft, walk
        self._forth = True
        self._last: Stimulus | None = None
        self._seen: set[str] = set()
        self._loud = False  # whether a walk that reads every state's supply current has been made

    def through(self, hookup: Hookup, *, dry: bool) -> tuple[StateVisit, ...]:
        """The states of one hookup, those recorded at a dry level or the others; turns the walk round."""
        everywhere = not dry and not self._loud
        made: list[StateVisit] = []
        for state in self._walk if self._forth else tuple(reversed(self._walk)):
            here = self._acquisitions(hookup, state, dry=dry)
            judges = not dry and state.name not in self._seen
            if here or (judges and everywhere):
                made.append(StateVisit(state=state, acquisitions=here, judges_supply=judges))
            if judges and made and made[-1].state == state:
                self._seen.add(state.name)
        self._loud = self._loud or not dry
        self._forth = self._forth != bool(made)
        return tuple(made)

    def _acquisitions(self, hookup: Hookup, state: State, *, dry: bool) -> tuple[Acquisition, ...]:
        """The generator is changed as seldom as possible: what it does already comes first."""
        here = [
            acquisition
            for (name, state_name, _), acquisition in self._draft.acquisitions.items()
            if name == hookup.name and state_name == state.name and is_dry(acquisition.stimulus) == dry
        ]
        here.sort(key=lambda acquisition: acquisition.stimulus != self._last)
        self._last = here[-1].stimulus if here else self._last
        return tuple(here)
