"""What a check of edges says besides its limit: what of a transient, in which band, and which races."""

from collections.abc import Mapping
from types import MappingProxyType

from harness.job.edge import Edge, EdgeCheck, Measure
from harness.job.schema import RawCheck
from harness.job.sequence import Quantity
from harness.job.state import State
from harness.toml_files.located import Key
from harness.toml_files.source import Source

EDGE_QUANTITIES: frozenset[Quantity] = frozenset(
    {"transient", "operate_time", "release_time", "bounce", "gap"}
)
RACELESS: Mapping[str, str] = MappingProxyType(
    {"operate_time": "of one line that is energised", "release_time": "of one line that is released"}
)


def read_edge_check(
    source: Source, raw: RawCheck, quantity: Quantity, key: Key, states: Mapping[str, State] | None
) -> EdgeCheck | None:
    """Read what is a check of edges' own; None for any other quantity, where these keys are noted.

    states: the sequence's, by name; None where they could not be read, and nothing is said about them.
    """
    if quantity not in EDGE_QUANTITIES:
        for name in ("measure", "band", "also"):
            if getattr(raw, name):
                source.wrong((*key, name), f"{quantity} is taken in a state; {name} belongs to edges")
        return None
    if quantity != "transient":
        for name in ("measure", "band"):
            if getattr(raw, name):
                source.wrong((*key, name), f"belongs to a transient; {quantity} is a time")
    elif raw.measure is None:
        source.wrong(
            (*key, "measure"),
            "missing; expected one of peak, energy, duration of the transient",
            missing=True,
        )
    measure: Measure | None = raw.measure if quantity == "transient" else None
    if raw.also and quantity in RACELESS:
        source.wrong((*key, "also"), f"{quantity} is {RACELESS[quantity]}; expected no races")
    return EdgeCheck(
        measure=measure, band=raw.band or "full", also=_races(source, raw.also, (*key, "also"), states)
    )


def _races(
    source: Source, texts: list[str], key: Key, states: Mapping[str, State] | None
) -> tuple[Edge, ...]:
    edges: list[Edge] = []
    for index, text in enumerate(texts):
        ends = [part.strip() for part in text.split(">")]
        place: Key = (*key, index)
        if len(ends) != 2 or not all(ends) or ends[0] == ends[1]:
            source.wrong(place, f'found "{text}"; expected two states such as "loop_a > loop_b"')
            continue
        if states is None:
            continue
        unknown = [end for end in ends if end not in states or not states[end].powered]
        if unknown:
            source.wrong(
                place,
                f'found "{text}"; expected two powered states of this sequence, and {unknown[0]} is none',
            )
            continue
        edge = Edge(before=states[ends[0]], after=states[ends[1]])
        if edge in edges:
            source.wrong(place, f'"{text}" stands here twice; expected once')
        edges.append(edge)
    return tuple(edges)
