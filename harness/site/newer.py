"""Which units of the list are other than a browser has them, so that ten thousand are not sent for one."""

from collections.abc import Mapping, Set

from harness.site.model import Unit


class Changes:
    """Remembers at which look at the records each unit was last found to be another than before."""

    def __init__(self) -> None:
        self._units: Mapping[str, Unit] = {}
        self._looks: dict[str, int] = {}
        self._changed_at: dict[str, int] = {}

    def look(self, state: str, units: Mapping[str, Unit]) -> None:
        """Take in all units by the names of their pages, as they are in a state of the records."""
        if self._units.keys() - units.keys():  # other records have come in the place of these
            self._looks.clear()
            self._changed_at.clear()
        now = self._looks[state] = len(self._looks)
        for slug, unit in units.items():
            if self._units.get(slug) != unit:
                self._changed_at[slug] = now
        self._units = units

    def since(self, state: str) -> Set[str] | None:
        """Give the units that have changed since a state, by their pages' names; None if it is not known."""
        then = self._looks.get(state)
        return None if then is None else {slug for slug, at in self._changed_at.items() if at > then}
