"""Which steps of a plan were chosen, and what that leaves out, as the records keep it."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Steps:
    """Acquisitions and changes of state by their numbers in a plan, and states whose current is judged."""

    acquisitions: tuple[int, ...]
    changes: tuple[int, ...]
    supplies: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """Readings of one quantity of a check that are not taken, of so many that the sequence has."""

    check: str
    quantity: str
    readings: int
    planned: int
