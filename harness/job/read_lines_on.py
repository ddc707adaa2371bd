"""Control lines on spare scope inputs, in a hookup."""

from harness.job.located import Key
from harness.job.mistakes import Source, unknown
from harness.job.names import Names
from harness.job.schema import RawHookup


def check_lines_on(source: Source, raw: RawHookup, key: Key, names: Names) -> None:
    """Note lines that there aren't, and inputs that view a leg; the bench knows how many there are."""
    if raw.through and raw.lines_on:
        source.wrong((*key, "lines_on"), "a through hookup is used with no line on; expected no lines_on")
    taken = 2 * len(raw.view)
    for line, number in raw.lines_on.items():
        place: Key = (*key, "lines_on", line)
        if names.known and line not in names.lines:
            source.wrong(place, unknown("line", line, names.lines, where="module.toml"))
        if number < 1 or (number <= taken and not raw.through):
            source.wrong(
                place,
                f"found input {number}; inputs 1 to {taken} view the legs of {', '.join(raw.view)}: "
                f"expected a spare one, {taken + 1} or more",
            )
