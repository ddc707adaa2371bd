"""What would explain a failed run, as it was found at the run's end and is kept with it."""

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from harness.report.explanation import Explanation

if TYPE_CHECKING:
    from harness.records.run import EventKind
    from harness.records.store import RunStore


@dataclass(frozen=True, kw_only=True)
class Explained:
    """What was found at the end of a failed run: faults that are not told apart, and all of it in words.

    names: the likeliest first, none where nothing on the list explains it. probability: of these together.
    """

    names: tuple[str, ...]
    probability: float
    explanation: Explanation


def keep_explained(store: "RunStore", run_id: int, found: Explained) -> None:
    """Keep with a run what explains it: the names for the batch's figures, the words for its page."""
    kept: dict[EventKind, object] = {
        "diagnosis": {"faults": found.names, "probability": found.probability},
        "explanation": asdict(found.explanation),
    }
    for kind, content in kept.items():
        store.add_event(run_id, kind, json.dumps(content, ensure_ascii=False, allow_nan=False))


def kept_explained(store: "RunStore", run_id: int) -> Explained | None:
    """What was kept with a run; None where nothing was. Raises RecordsError where it does not read."""
    from pydantic import TypeAdapter

    kept = {event.kind: event.text for event in store.events(run_id)}
    if "explanation" not in kept or "diagnosis" not in kept:  # earlier versions kept the names alone
        return None
    with store.readable():
        named = json.loads(kept["diagnosis"])
        return Explained(
            names=tuple(named["faults"]),
            probability=float(named["probability"]),
            explanation=TypeAdapter(Explanation).validate_json(kept["explanation"]),
        )
