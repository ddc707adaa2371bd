"""From sequence.toml to a CheckSequence, checked against the module's names and the fixture's setups."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from harness.errors import nearest
from harness.job.fixture import Setup
from harness.job.module import Names
from harness.job.sequence import OWNERS, Check, CheckEntry, CheckSequence, SequenceFile, Tone
from harness.job.state import BECOMES, State, StateChange, all_states, parse_state
from harness.quantities.quantity import KINDS, AnyQuantity, LimitKind, LimitRule, Options
from harness.quantities.registry import QUANTITIES
from harness.quantities.tolerance import TOLERANCE
from harness.reading import Limit
from harness.toml_files.located import Key
from harness.toml_files.messages import did_you_mean, shown_value, unknown
from harness.toml_files.source import Source
from harness.units import Dimension, Sign, dbu_from_vrms, expected_words, parse_quantity, unit_of

MOST_CONTROLS_FOR_ALL = 12


def read_sequence(
    source: Source, names: Names, setups: tuple[Setup, ...] | None, *, has_sync: bool = False
) -> CheckSequence:
    """Read sequence.toml; notes its mistakes.

    `setups` is None if it is not known what each of them views: then none is called missing. has_sync: what
    two ports show may be compared by records of two setups.
    """
    file = source.read(SequenceFile)
    head = file.sequence
    states = _states(source, head.states, names)
    channels = _channels(source, head.channels, names)
    known = {state.name: state for state in states} if source.without_mistake("sequence", "states") else {}
    checks = _checks(source, file.check, names, head.tone, known)
    if setups is not None and names.known:
        for index, check in checks.items():
            _check_views(source, check, ("check", index), channels, names, setups, has_sync=has_sync)
    return CheckSequence(
        name=head.name,
        states=states,
        channels=channels,
        settle_s=head.settle_s,
        coverage_factor=head.coverage_factor,
        decision=head.decision,
        serial_pattern=head.serial_pattern,
        checks=tuple(checks.values()),
        retests=head.retests,
        golden_every_s=head.golden_every_s,
        full_every=head.full_every,
    )


def _states(source: Source, texts: Iterable[str], names: Names) -> tuple[State, ...]:
    states: list[State] = []
    if not names.controls:
        return ()
    for index, text in enumerate(texts):
        key: Key = ("sequence", "states", index)
        try:
            result = _all(names.state_controls) if text == "all" else (_parsed(text, names),)
        except ValueError as error:
            source.wrong(key, str(error))
            continue
        if repeated := [state.name for state in result if state in states]:
            source.wrong(key, f"state {repeated[0]} is listed twice; expected once")
        states.extend(result)
    return tuple(states)


def _parsed(text: str, names: Names) -> State:
    return parse_state(text, names.state_controls, sets=names.sets, resets=names.resets)


def _all(controls: tuple[str, ...]) -> tuple[State, ...]:
    if len(controls) > MOST_CONTROLS_FOR_ALL:
        raise ValueError(
            f"{len(controls)} control lines have {2 ** len(controls)} states, and running all of them would "
            f"take too long; expected a list of states (all: up to {MOST_CONTROLS_FOR_ALL} control lines)"
        )
    return all_states(controls)


def _channels(source: Source, texts: tuple[str, ...], names: Names) -> tuple[str, ...]:
    if texts == ("all",):
        return names.channels
    for index, channel in enumerate(texts):
        if names.channels and channel not in names.channels:
            key: Key = ("sequence", "channels", index)
            source.wrong(key, unknown("channel", channel, names.channels, where="module.toml"))
        elif channel in texts[:index]:
            source.wrong(("sequence", "channels", index), f"{channel} is listed twice; expected once")
    return tuple(channel for channel in names.channels if channel in texts)


def _checks(
    source: Source, entries: tuple[CheckEntry, ...], names: Names, tone: Tone, states: Mapping[str, State]
) -> dict[int, Check]:
    """The checks whose quantity is known, by their position in the file."""
    checks: dict[int, Check] = {}
    titles: set[str] = set()
    for index, entry in enumerate(entries):
        key: Key = ("check", index)
        if entry.name in titles:
            source.wrong((*key, "name"), f'check "{entry.name}" is listed twice; expected another name')
        titles.add(entry.name)
        check = read_check(source, entry, key, names, tone, states)
        if check:
            checks[index] = check
    if not entries:
        source.wrong(("check",), "missing; expected at least one [[check]]", missing=True)
    return checks


def _check_views(
    source: Source,
    check: Check,
    key: Key,
    channels: tuple[str, ...],
    names: Names,
    setups: tuple[Setup, ...],
    *,
    has_sync: bool,
) -> None:
    """Note every port of a check that no setup lets the scope see, with the setup that is missing."""
    measured = names.channels if check.quantity.between_channels else channels
    for index, net in enumerate(check.at):
        if net not in names.ports:
            continue
        for channel in (channel for channel in measured if names.has_port(channel, net)):
            message = _missing_view(check, channel, net, names, setups, has_sync=has_sync)
            if message:
                source.wrong((*key, "at", index), message)


def _missing_view(
    check: Check, channel: str, net: str, names: Names, setups: tuple[Setup, ...], *, has_sync: bool
) -> str | None:
    """Which setup to add so that the quantity can be measured at a port; None if there is one."""
    port = f"{channel}.{net}"
    inputs = names.with_role("input")
    drive = f"{channel}.{inputs[0]}" if inputs else f"{channel}.in"
    driving = [setup for setup in setups if setup.drive and setup.drive.channel == channel]
    seen = [(str(setup.drive), _shown(setup, driving if has_sync else [setup])) for setup in driving]
    quantity, options = check.quantity, check.options
    if not quantity.driven:
        if any(port in {str(view) for view in setup.view} for setup in setups if not setup.through):
            return None
        return f'no setup views {port}; expected a [[setup]] with view = ["{port}"]'
    if quantity.drive_in_view(amplified=False):
        if any({source, port} <= views for source, views in seen):
            return None
        if has_sync:
            return (
                f"{quantity.name} is measured against the drive, and no setup that drives {channel} views "
                f"{port} while another with the same drive and plugs views the driven port; expected a "
                f'[[setup]] with drive = "{drive}", view = ["{drive}"], and one with view = ["{port}"]'
            )
        return (
            f"{quantity.name} is measured against the drive, and no setup that drives {channel} views "
            f'both; expected a [[setup]] with drive = "{drive}", view = ["{drive}", "{port}"]'
        )
    if quantity.across(options):
        others = {
            f"{other}.{net}" for other in names.channels if other != channel and names.has_port(other, net)
        }
        reached = {view for _, views in seen if port in views for view in views}
        if others <= reached:
            return None
        views = ", ".join(f'"{view}"' for view in (port, *sorted(others)))
        if has_sync:
            return (
                f"{quantity.name} needs {channel} driven and both channels viewed, each in a setup with the "
                f'same drive and plugs; expected a [[setup]] with drive = "{drive}" for each of {views}'
            )
        return (
            f"{quantity.name} needs {channel} driven and both channels viewed at once; "
            f'expected a [[setup]] with drive = "{drive}", view = [{views}]'
        )
    if quantity.source_added(options):
        if any(port in {str(view) for view in setup.view} for setup in driving if setup.source_added):
            return None
        return (
            f"no setup that drives {channel} and views {port} adds a resistor to one leg of the source; "
            'expected a [[setup]] with source_added = { leg = "hot", series = "10 ohm" }, and perhaps '
            "another for the cold leg"
        )
    if any(port in views for _, views in seen):
        return None
    return (
        f"no setup that drives {channel} views {port}; "
        f'expected a [[setup]] with drive = "{drive}", view = ["{port}"]'
    )


def _shown(setup: Setup, others: Iterable[Setup]) -> set[str]:
    """What setups show that differ from this one, which is one of them, at most in what they view."""
    alike = (each for each in others if each.is_alike(setup))
    return {str(view) for each in alike for view in each.view}


def read_check(
    source: Source, entry: CheckEntry, key: Key, names: Names, tone: Tone, states: Mapping[str, State]
) -> Check | None:
    """Make a check of a [[check]]; notes its mistakes. None if its quantity is unknown.

    tone: the sequence's. states: the sequence's, by name; empty if these could not all be read: then none is
    called unknown.
    """
    quantity = _quantity(source, entry.quantity, key)
    if quantity is None or quantity.at_ports:
        _check_ports(source, entry, key, names)
        if quantity is not None and quantity.of_both_legs:
            _check_balanced(source, entry, key, names)
    chosen = _states_of_check(source, entry, key, names, states)
    if quantity is None:
        return None
    limit = _read_limit(source, entry, quantity, key)
    _check_tone(source, entry, quantity, key)
    options = _options(source, entry, quantity, key, names, states)
    if (quantity.between_channels or quantity.across(options)) and len(names.channels) == 1:
        source.wrong(
            (*key, "quantity"), f"{quantity.name} needs two channels; module.toml has {names.channels[0]}"
        )
    return Check(
        name=entry.name,
        quantity=quantity,
        at=tuple(entry.at),
        tone=_tone(entry, quantity, tone),
        limit=limit,
        options=options,
        states=chosen,
        line=source.located.line(key) or 0,
    )


def _quantity(source: Source, name: str, key: Key) -> AnyQuantity | None:
    """The quantity of a name; if it is unknown, which is noted, the one that is probably meant."""
    if name not in QUANTITIES:
        source.wrong((*key, "quantity"), unknown("quantity", name, QUANTITIES, where="switchwalk"))
        name = nearest(name, QUANTITIES) or ""
    return QUANTITIES.get(name)


def _options(
    source: Source,
    entry: CheckEntry,
    quantity: AnyQuantity,
    key: Key,
    names: Names,
    states: Mapping[str, State],
) -> Options:
    """The quantity's own keys; notes those that belong to others."""
    keys, own = quantity.options.model_fields, dict[str, Any]()
    for name in entry.model_fields_set:
        value = getattr(entry, name)
        if name in quantity.refuses:
            if value:
                source.wrong((*key, name), f"{quantity.name} {quantity.refuses[name]}")
        elif name in keys:
            own[name] = value
        elif name in OWNERS:
            belongs = " or ".join(OWNERS[name])
            source.wrong((*key, name), f"belongs to a {belongs} check, and to no other quantity")
    options = source.read(quantity.options, own, key)
    if not options.races:
        return options
    races = tuple(change.name for change in _races(source, options.races, (*key, "also"), names, states))
    return options.model_copy(update={"also": races})


def _races(
    source: Source, texts: tuple[str, ...], key: Key, names: Names, states: Mapping[str, State]
) -> Iterator[StateChange]:
    """Changes of state as people write them; notes one that is not between two states of the sequence."""
    changes: list[StateChange] = []
    for index, text in enumerate(texts):
        ends = [part.strip() for part in text.split(BECOMES.strip())]
        race_key: Key = (*key, index)
        if len(ends) != 2 or not all(ends) or ends[0] == ends[1]:
            source.wrong(race_key, f'found "{text}"; expected two states such as "loop_a > loop_b"')
            continue
        if not states:
            for end in ends:
                _check_controls(source, end, race_key, names)
            continue
        powered = [name for name, state in states.items() if state.powered]
        if unknown := [end for end in ends if end not in powered]:
            source.wrong(
                race_key,
                f'found "{text}"; expected two powered states of this sequence, and {unknown[0]} is none'
                + did_you_mean(unknown[0], powered),
            )
            continue
        change = StateChange(before=states[ends[0]], after=states[ends[1]])
        if change in changes:
            source.wrong(race_key, f'"{text}" is listed twice; expected once')
        changes.append(change)
        yield change


def _check_controls(source: Source, state: str, key: Key, names: Names) -> None:
    """Note an unknown control line in a state's name: all that can be checked if no states are known."""
    try:
        if names.controls:
            _parsed(state, names)
    except ValueError as error:
        source.wrong(key, str(error))


def _check_ports(source: Source, entry: CheckEntry, key: Key, names: Names) -> None:
    if not entry.at:
        source.wrong(
            (*key, "at"),
            'missing; expected ports such as ["out"]',
            missing="at" not in entry.model_fields_set,
        )
    for index, net in enumerate(entry.at):
        port_key: Key = (*key, "at", index)
        if names.ports and net not in names.ports:
            source.wrong(port_key, unknown("port", net, names.ports, where="module.toml"))
        elif net in entry.at[:index]:
            source.wrong(port_key, f"{net} is listed twice; expected once")


def _check_balanced(source: Source, entry: CheckEntry, key: Key, names: Names) -> None:
    for index, net in enumerate(entry.at):
        if net in names.unbalanced:
            source.wrong(
                (*key, "at", index), f"{net} is unbalanced, its cold is the ground; expected a balanced port"
            )


def _check_tone(source: Source, entry: CheckEntry, quantity: AnyQuantity, key: Key) -> None:
    """Note a frequency or a level that the quantity does not take."""
    for name in ("frequency", "level"):
        if getattr(entry, name) is None:
            continue
        if not quantity.takes_tone:
            source.wrong((*key, name), f"{quantity.name} uses no tone; expected neither frequency nor level")
        elif quantity.swept and name == "frequency":
            source.wrong((*key, name), f"{quantity.name} takes several; expected frequencies")
    most = quantity.most_level_vrms
    if most is not None and entry.level is not None and entry.level > most * (1 + 1e-9):
        source.wrong(
            (*key, "level"),
            f"found {entry.level:g} V; expected at most {1e3 * most:g} mV, as more would mend the contact "
            "that is looked for",
        )


def _tone(entry: CheckEntry, quantity: AnyQuantity, tone: Tone) -> Tone:
    """The tone of a check: its own, else its quantity's, else the sequence's."""
    usual = tone.level_vrms if quantity.default_level_vrms is None else quantity.default_level_vrms
    return Tone(
        frequency_hz=tone.frequency_hz if entry.frequency is None else entry.frequency,
        level_vrms=usual if entry.level is None else entry.level,
    )


def _states_of_check(
    source: Source, entry: CheckEntry, key: Key, names: Names, states: Mapping[str, State]
) -> tuple[State, ...] | None:
    """A check's states, each of them one of the sequence's."""
    if entry.states is None:
        return None
    if not entry.states:
        source.wrong((*key, "states"), 'found none; expected states such as ["idle"]')
    result: list[State] = []
    for index, text in enumerate(entry.states):
        state_key: Key = (*key, "states", index)
        if not states:
            _check_controls(source, text, state_key, names)
            continue
        state = _state(text, states)
        if state is None:
            some = ", ".join(list(states)[:8]) + (", ..." if len(states) > 8 else "")
            source.wrong(
                state_key,
                f'found "{text}"; expected one of the sequence\'s states: {some}'
                + did_you_mean(text, states),
            )
        elif state in result:
            source.wrong(state_key, f"{text} is listed twice; expected once")
        else:
            result.append(state)
    return tuple(result)


def _state(text: str, states: Mapping[str, State]) -> State | None:
    """A state as people write it, its control lines in any order."""
    controls = sorted(part.strip() for part in text.split("+"))
    return next((state for name, state in states.items() if sorted(name.split("+")) == controls), None)


def _read_limit(source: Source, entry: CheckEntry, quantity: AnyQuantity, key: Key) -> Limit | None:
    """Read a check's one limit; notes a limit too many or too few, and a wrong unit."""
    rule = quantity.limits
    given = [kind for kind in KINDS if getattr(entry, kind) is not None]
    if rule is None:
        for kind in given:
            source.wrong((*key, kind), f"{quantity.name} must be as predicted and takes no limit")
        return None
    if len(given) != 1:
        result = f"found {' and '.join(given)}" if given else "no limit"
        source.wrong(key, f"{result}; expected one of {', '.join(rule.kinds)}, such as {rule.example}")
        return None
    kind = given[0]
    if kind not in rule.kinds:
        source.wrong(
            (*key, kind),
            f"{quantity.name} takes {', '.join(rule.kinds)} only; expected one such as {rule.example}",
        )
        return None
    value = getattr(entry, kind)
    if value != TOLERANCE:
        return _limit(source, value, kind, rule, (*key, kind))
    if kind not in rule.tolerance:
        source.wrong((*key, kind), _no_tolerance(quantity, rule))
        return None
    return Limit(kind=kind, unit=rule.unit, tolerance=True)


def _no_tolerance(quantity: AnyQuantity, rule: LimitRule) -> str:
    """Why a limit can't come from the tolerance of parts, and what to write."""
    if rule.tolerance:
        kinds = " or ".join(f'{kind} = "{TOLERANCE}"' for kind in rule.tolerance)
        return f"a limit of {quantity.spoken} comes from the tolerance of parts as {kinds} only"
    return (
        f'found "{TOLERANCE}": nothing predicts how far good units differ in {quantity.spoken}; expected a '
        f"value, such as {rule.example}"
    )


def _limit(source: Source, value: object, kind: LimitKind, rule: LimitRule, key: Key) -> Limit | None:
    if kind == "between":
        return _between(source, value, rule, key)
    within = kind == "within"
    relative = within and rule.relative and unit_of(value) == "%"
    dimension: Dimension = "fraction" if relative else rule.dimension
    number = _number(source, value, dimension, key, sign="positive" if within else None)
    if number is None:
        return None
    low, high = (number, None) if kind == "above" else (None, number)
    return Limit(kind=kind, unit=rule.unit, low=low, high=high, relative=relative)


def _between(source: Source, value: object, rule: LimitRule, key: Key) -> Limit | None:
    if not isinstance(value, list) or len(value) != 2:
        source.wrong(key, f"found {shown_value(value)}; expected a list of two: low, high")
        return None
    low, high = (_number(source, end, rule.dimension, (*key, index)) for index, end in enumerate(value))
    if low is None or high is None:
        return None
    if not low < high:
        source.wrong(key, f'found ["{value[0]}", "{value[1]}"]; expected the low end first')
        return None
    return Limit(kind="between", unit=rule.unit, low=low, high=high)


def _number(
    source: Source, value: object, dimension: Dimension, key: Key, sign: Sign | None = None
) -> float | None:
    if isinstance(value, list | dict):
        source.wrong(key, f"found {shown_value(value)}; expected {expected_words(dimension)}")
        return None
    try:
        number = parse_quantity(value, dimension, sign=sign)
        return dbu_from_vrms(number) if dimension == "level" else number
    except ValueError as error:
        source.wrong(key, str(error))
        return None
