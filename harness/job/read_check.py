"""One check of sequence.toml: the keys that every check has, and those that its quantity has."""

from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any, cast

from harness.errors import nearest
from harness.job.edge import BECOMES, Edge
from harness.job.names import Names
from harness.job.read_limits import read_limit
from harness.job.sequence import Check, Tone
from harness.job.sequence_file import CheckEntry
from harness.job.state import State, parse_state
from harness.quantities.quantity import Options, Quantity
from harness.quantities.registry import QUANTITIES
from harness.toml_files.located import Key
from harness.toml_files.messages import did_you_mean, unknown
from harness.toml_files.source import Source


def read_check(
    source: Source,
    value: Any,
    key: Key,
    names: Names,
    tone: Tone,
    states: Mapping[str, State],
) -> Check | None:
    """Read a [[check]]; notes its mistakes. None where its quantity is unknown.

    tone: the sequence's. states: the sequence's, by name; empty where these could not all be read, and
    nothing is said about what they do not have.
    """
    quantity = _quantity(value)
    if quantity is None:
        entry = source.read(CheckEntry, _plain(value), key)
        source.wrong((*key, "quantity"), unknown("quantity", entry.quantity, QUANTITIES, where="switchwalk"))
        _check_ports(source, entry, key, names)
        _states(source, entry, key, names, states)
        return None
    raw = source.read(_model(quantity), _without_others(source, value, quantity, key), key)
    if raw.quantity != quantity.name:
        source.wrong((*key, "quantity"), unknown("quantity", raw.quantity, QUANTITIES, where="switchwalk"))
    limit = read_limit(source, raw, quantity, key)
    if quantity.at_ports:
        _check_ports(source, raw, key, names)
    if (quantity.between_channels or quantity.across(raw)) and len(names.channels) == 1:
        source.wrong(
            (*key, "quantity"),
            f"{quantity.name} needs two channels; module.toml has {names.channels[0]}",
        )
    _check_tone(source, raw, quantity, key)
    options = _options(source, raw, quantity, key, names, states)
    chosen = _states(source, raw, key, names, states)
    return Check(
        name=raw.name,
        quantity=quantity,
        at=tuple(raw.at),
        tone=_tone(raw, quantity, tone),
        limit=limit,
        options=options,
        states=chosen,
        line=source.located.line(key) or 0,
    )


def _quantity(value: Any) -> Quantity | None:
    """The quantity that a check names or, where there is none such, the one that is probably meant."""
    if not isinstance(value, dict):
        return None
    key = (
        "quantity" if "quantity" in value else nearest("quantity", set(value) - set(CheckEntry.model_fields))
    )
    name = value.get(key)
    return QUANTITIES.get(nearest(name, QUANTITIES) or "") if isinstance(name, str) else None


def _plain(value: Any) -> Any:
    """A check less the keys that are some quantity's own."""
    options = {option for quantity in QUANTITIES.values() for option in quantity.options.model_fields}
    return {k: v for k, v in value.items() if k not in options} if isinstance(value, dict) else value


@cache
def _model(quantity: Quantity) -> type[CheckEntry]:
    """What a check of a quantity may hold."""
    return cast(type[CheckEntry], type(f"{type(quantity).__name__}Check", (CheckEntry, quantity.options), {}))


def _without_others(source: Source, value: Mapping[str, Any], quantity: Quantity, key: Key) -> dict[str, Any]:
    """The keys of a check less those that other quantities have, which are noted."""
    own = _model(quantity).model_fields
    kept: dict[str, Any] = {}
    for name, held in value.items():
        belongs = [other.name for other in QUANTITIES.values() if name in other.options.model_fields]
        if name in quantity.refuses and held:
            source.wrong((*key, name), f"{quantity.name} {quantity.refuses[name]}")
        elif name in own or not belongs:
            kept[name] = held
        else:
            source.wrong((*key, name), f"belongs to a {' or '.join(belongs)} check, and to no other quantity")
    return kept


def _options(
    source: Source,
    raw: CheckEntry,
    quantity: Quantity,
    key: Key,
    names: Names,
    states: Mapping[str, State],
) -> Options:
    given = {name: getattr(raw, name) for name in quantity.options.model_fields}
    options = quantity.options.model_construct(**given)
    if not options.races:
        return options
    races = tuple(edge.name for edge in _races(source, options.races, (*key, "also"), names, states))
    return options.model_copy(update={"also": races})


def _races(
    source: Source, texts: tuple[str, ...], key: Key, names: Names, states: Mapping[str, State]
) -> Iterator[Edge]:
    """Changes of state as people write them; notes what is none between two states of the sequence."""
    edges: list[Edge] = []
    for index, text in enumerate(texts):
        ends = [part.strip() for part in text.split(BECOMES.strip())]
        place: Key = (*key, index)
        if len(ends) != 2 or not all(ends) or ends[0] == ends[1]:
            source.wrong(place, f'found "{text}"; expected two states such as "loop_a > loop_b"')
            continue
        if not states:
            for end in ends:
                _check_lines(source, end, place, names)
            continue
        powered = [name for name, state in states.items() if state.powered]
        if unknown := [end for end in ends if end not in powered]:
            source.wrong(
                place,
                f'found "{text}"; expected two powered states of this sequence, and {unknown[0]} is none'
                + did_you_mean(unknown[0], powered),
            )
            continue
        edge = Edge(before=states[ends[0]], after=states[ends[1]])
        if edge in edges:
            source.wrong(place, f'"{text}" stands here twice; expected once')
        edges.append(edge)
        yield edge


def _check_lines(source: Source, state: str, key: Key, names: Names) -> None:
    """Note a line in a state's name that there isn't: all that can be said where no states are known."""
    try:
        if names.lines:
            parse_state(state, names.lines)
    except ValueError as error:
        source.wrong(key, str(error))


def _check_ports(source: Source, raw: CheckEntry, key: Key, names: Names) -> None:
    if not raw.at:
        source.wrong(
            (*key, "at"), 'missing; expected ports such as ["out"]', missing="at" not in raw.model_fields_set
        )
    for index, net in enumerate(raw.at):
        place: Key = (*key, "at", index)
        if names.ports and net not in names.ports:
            source.wrong(place, unknown("port", net, names.ports, where="module.toml"))
        elif net in raw.at[:index]:
            source.wrong(place, f"{net} stands here twice; expected once")


def _check_tone(source: Source, raw: CheckEntry, quantity: Quantity, key: Key) -> None:
    """Note a frequency or a level that the quantity does not take."""
    for name in ("frequency", "level"):
        if getattr(raw, name) is None:
            continue
        if not quantity.takes_tone:
            source.wrong((*key, name), f"{quantity.name} uses no tone; expected neither frequency nor level")
        elif quantity.swept and name == "frequency":
            source.wrong((*key, name), f"{quantity.name} takes several; expected frequencies")
    most = quantity.most_level_vrms
    if most is not None and raw.level is not None and raw.level > most * (1 + 1e-9):
        source.wrong(
            (*key, "level"),
            f"found {raw.level:g} V; expected at most {1e3 * most:g} mV, as more would mend the contact that "
            "is looked for",
        )


def _tone(raw: CheckEntry, quantity: Quantity, tone: Tone) -> Tone:
    """The tone of a check: its own, else its quantity's, else the sequence's."""
    usual = tone.level_vrms if quantity.default_level_vrms is None else quantity.default_level_vrms
    return Tone(
        frequency_hz=tone.frequency_hz if raw.frequency is None else raw.frequency,
        level_vrms=usual if raw.level is None else raw.level,
    )


def _states(
    source: Source, raw: CheckEntry, key: Key, names: Names, states: Mapping[str, State]
) -> tuple[State, ...] | None:
    """A check's states, each of them one of the sequence's."""
    if raw.states is None:
        return None
    if not raw.states:
        source.wrong((*key, "states"), 'found none; expected states such as ["rest"]')
    found: list[State] = []
    for index, text in enumerate(raw.states):
        place: Key = (*key, "states", index)
        if not states:
            _check_lines(source, text, place, names)
            continue
        state = _state(text, states)
        if state is None:
            some = ", ".join(list(states)[:8]) + (", ..." if len(states) > 8 else "")
            source.wrong(
                place,
                f'found "{text}"; expected one of the sequence\'s states: {some}'
                + did_you_mean(text, states),
            )
        elif state in found:
            source.wrong(place, f"{text} stands here twice; expected once")
        else:
            found.append(state)
    return tuple(found)


def _state(text: str, states: Mapping[str, State]) -> State | None:
    """A state as people write it, its lines in any order."""
    lines = sorted(part.strip() for part in text.split("+"))
    return next((state for name, state in states.items() if sorted(name.split("+")) == lines), None)
