"""What would explain a failed run, as it was found at the run's end and is kept with it."""

from dataclasses import dataclass

from harness.records.run import Explanation, FaultsNamed
from harness.records.store import RunStore


@dataclass(frozen=True, kw_only=True)
class Explained:
    """What was found at the end of a failed run: faults that are not told apart, and all of it in words.

    names: the likeliest first, none where nothing on the list explains it. probability: of these together.
    """

    names: tuple[str, ...]
    probability: float
    explanation: Explanation


def keep_explained(store: RunStore, run_id: int, found: Explained) -> None:
    """Keep with a run what explains it: the names for the batch's figures, the words for its page."""
    named = FaultsNamed(faults=found.names, probability=found.probability)
    store.add_event(run_id, named, ", ".join(found.names) or "no listed fault")
    store.add_event(run_id, found.explanation, found.explanation.headline)


def kept_explained(store: RunStore, run_id: int) -> Explained | None:
    """What was kept with a run; None where nothing was. Raises RecordsError where it does not read."""
    events = [each.event for each in store.events(run_id)]
    named = [event for event in events if isinstance(event, FaultsNamed)]
    told = [event for event in events if isinstance(event, Explanation)]
    if not named or not told:  # earlier versions kept the names alone
        return None
    return Explained(names=named[-1].faults, probability=named[-1].probability, explanation=told[-1])
