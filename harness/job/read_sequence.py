"""From sequence.toml to a Sequence, held against the module's names and the fixture's hookups."""

from collections.abc import Iterable, Mapping

from harness.job.fixture import Hookup
from harness.job.located import Key
from harness.job.mistakes import Source, unknown
from harness.job.names import Names
from harness.job.read_check import read_check
from harness.job.schema import RawSequence
from harness.job.sequence import Check, Sequence, Tone
from harness.job.state import REST, UNPOWERED, State, all_states

TABLES = ("sequence", "check")
MOST_LINES_FOR_ALL = 12


def read_sequence(source: Source, names: Names, hookups: tuple[Hookup, ...] | None) -> Sequence | None:
    """Read sequence.toml; notes its mistakes and gives None where there is one.

    `hookups` is None where the fixture's could not all be read: then nothing is said about what they miss.
    """
    before = len(source.mistakes)
    source.only_tables(TABLES)
    raw = source.required(RawSequence, "sequence")
    states = _states(source, raw.states, names) if raw and names.known else ()
    states_known = bool(states) and len(source.mistakes) == before
    channels = _channels(source, raw.channels, names) if raw else names.channels
    tone = Tone(frequency_hz=raw.tone.frequency, level_vrms=raw.tone.level) if raw else None
    checks = _checks(source, names, tone, {state.name: state for state in states} if states_known else None)
    if hookups is not None and names.known:
        for index, check in checks.items():
            _check_views(source, check, ("check", index), channels, names, hookups)
    if len(source.mistakes) > before or raw is None:
        return None
    return Sequence(
        name=raw.name,
        states=states,
        channels=channels,
        settle_s=raw.settle,
        coverage_factor=raw.coverage_factor,
        decision=raw.decision,
        serial_pattern=raw.serial_pattern,
        checks=tuple(checks.values()),
        retests=raw.retests,
        golden_every_s=raw.golden_every,
    )


def parse_state(text: str, lines: tuple[str, ...]) -> State:
    """Read a state as people write it, its lines in any order; raises ValueError with what was expected."""
    if text == UNPOWERED:
        return State(on=(), powered=False)
    if text == REST:
        return State(on=())
    wanted = [line.strip() for line in text.split("+")]
    for line in wanted:
        if line not in lines:
            raise ValueError(f'found state "{text}": ' + unknown("line", line, lines, where="module.toml"))
    if len(set(wanted)) < len(wanted):
        raise ValueError(f'found state "{text}"; expected every line once')
    return State(on=tuple(line for line in lines if line in wanted))


def _states(source: Source, texts: Iterable[str], names: Names) -> tuple[State, ...]:
    states: list[State] = []
    for index, text in enumerate(texts):
        key: Key = ("sequence", "states", index)
        try:
            found = _all(names.lines) if text == "all" else (parse_state(text, names.lines),)
        except ValueError as error:
            source.wrong(key, str(error))
            continue
        if repeated := [state.name for state in found if state in states]:
            source.wrong(key, f"state {repeated[0]} stands here twice; expected once")
        states.extend(found)
    return tuple(states)


def _all(lines: tuple[str, ...]) -> tuple[State, ...]:
    if len(lines) > MOST_LINES_FOR_ALL:
        raise ValueError(
            f"{len(lines)} lines have {2 ** len(lines)} states, and a run through all is no test but a "
            f"wait; expected a list of states (all: up to {MOST_LINES_FOR_ALL} lines)"
        )
    return all_states(lines)


def _channels(source: Source, texts: list[str], names: Names) -> tuple[str, ...]:
    if texts == ["all"]:
        return names.channels
    for index, channel in enumerate(texts):
        if names.known and channel not in names.channels:
            key: Key = ("sequence", "channels", index)
            source.wrong(key, unknown("channel", channel, names.channels, where="module.toml"))
        elif channel in texts[:index]:
            source.wrong(("sequence", "channels", index), f"{channel} stands here twice; expected once")
    return tuple(channel for channel in names.channels if channel in texts)


def _checks(
    source: Source, names: Names, tone: Tone | None, states: Mapping[str, State] | None
) -> dict[int, Check]:
    """Give the checks that could be read, by their position in the file."""
    checks: dict[int, Check] = {}
    titles: set[str] = set()
    for index, value in enumerate(source.entries("check")):
        key: Key = ("check", index)
        title = value.get("name") if isinstance(value, dict) else None
        if isinstance(title, str):
            if title in titles:
                source.wrong((*key, "name"), f'check "{title}" stands here twice; expected another name')
            titles.add(title)
        check = read_check(source, value, key, names, tone, states)
        if check:
            checks[index] = check
    if not source.entries("check"):
        source.wrong(("check",), "missing; expected at least one [[check]]", missing=True)
    return checks


def _check_views(
    source: Source,
    check: Check,
    key: Key,
    channels: tuple[str, ...],
    names: Names,
    hookups: tuple[Hookup, ...],
) -> None:
    """Note every port of a check that no hookup lets the scope see, with the hookup that is missing."""
    measured = names.channels if check.quantity.between_channels else channels
    for index, net in enumerate(check.at):
        if net not in names.ports:
            continue
        for channel in measured:
            message = _missing_view(check, channel, net, names, hookups)
            if message:
                source.wrong((*key, "at", index), message)


def _missing_view(
    check: Check, channel: str, net: str, names: Names, hookups: tuple[Hookup, ...]
) -> str | None:
    """Say which hookup to add so that the quantity can be measured at a port; None where there is one."""
    port = f"{channel}.{net}"
    inputs = names.with_role("input")
    drive = f"{channel}.{inputs[0]}" if inputs else f"{channel}.in"
    driving = [hookup for hookup in hookups if hookup.drive and hookup.drive.channel == channel]
    seen = [(str(hookup.drive), {str(view) for view in hookup.view}) for hookup in driving]
    quantity, options = check.quantity, check.options
    if not quantity.driven:
        if any(port in {str(view) for view in hookup.view} for hookup in hookups if not hookup.through):
            return None
        return f'no hookup views {port}; expected a [[hookup]] with view = ["{port}"]'
    if quantity.drive_in_view(amplified=False):
        if any({source, port} <= views for source, views in seen):
            return None
        return (
            f"{quantity.name} is measured against the drive, and no hookup that drives {channel} views "
            f'both; expected a [[hookup]] with drive = "{drive}", view = ["{drive}", "{port}"]'
        )
    if quantity.across(options):
        others = {f"{other}.{net}" for other in names.channels if other != channel}
        reached = {view for _, views in seen if port in views for view in views}
        if others <= reached:
            return None
        views = ", ".join(f'"{view}"' for view in (port, *sorted(others)))
        return (
            f"{quantity.name} needs {channel} driven and both channels viewed at once; "
            f'expected a [[hookup]] with drive = "{drive}", view = [{views}]'
        )
    if quantity.source_added(options):
        if any(port in {str(view) for view in hookup.view} for hookup in driving if hookup.source_added):
            return None
        return (
            f"no hookup that drives {channel} and views {port} adds a resistor to one leg of the source; "
            'expected a [[hookup]] with source_added = { leg = "hot", series = "10 ohm" }, and perhaps '
            "another for the cold leg"
        )
    if any(port in views for _, views in seen):
        return None
    return (
        f"no hookup that drives {channel} views {port}; "
        f'expected a [[hookup]] with drive = "{drive}", view = ["{port}"]'
    )
