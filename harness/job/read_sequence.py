"""From sequence.toml to a Sequence, held against the module's names and the fixture's hookups."""

from collections.abc import Iterable, Mapping

from harness.job.fixture import Hookup
from harness.job.module_file import Names
from harness.job.read_check import read_check
from harness.job.sequence import Check, Sequence, Tone
from harness.job.sequence_file import CheckEntry, SequenceFile
from harness.job.state import State, all_states, parse_state
from harness.toml_files.located import Key
from harness.toml_files.messages import unknown
from harness.toml_files.source import Source

MOST_LINES_FOR_ALL = 12


def read_sequence(source: Source, names: Names, hookups: tuple[Hookup, ...] | None) -> Sequence:
    """Read sequence.toml; notes its mistakes.

    `hookups` is None where it is not known what each of them views: then nothing is said of what they miss.
    """
    file = source.read(SequenceFile)
    head = file.sequence
    states = _states(source, head.states, names)
    channels = _channels(source, head.channels, names)
    known = {state.name: state for state in states} if source.without_mistake("sequence", "states") else {}
    checks = _checks(source, file.check, names, head.tone, known)
    if hookups is not None and names.known:
        for index, check in checks.items():
            _check_views(source, check, ("check", index), channels, names, hookups)
    return Sequence(
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
    )


def _states(source: Source, texts: Iterable[str], names: Names) -> tuple[State, ...]:
    states: list[State] = []
    if not names.lines:
        return ()
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


def _channels(source: Source, texts: tuple[str, ...], names: Names) -> tuple[str, ...]:
    if texts == ("all",):
        return names.channels
    for index, channel in enumerate(texts):
        if names.channels and channel not in names.channels:
            key: Key = ("sequence", "channels", index)
            source.wrong(key, unknown("channel", channel, names.channels, where="module.toml"))
        elif channel in texts[:index]:
            source.wrong(("sequence", "channels", index), f"{channel} stands here twice; expected once")
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
            source.wrong((*key, "name"), f'check "{entry.name}" stands here twice; expected another name')
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
