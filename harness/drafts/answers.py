"""What `switchwalk new` asks, and which answers fit together."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from harness.errors import UsageError

MOST_CHANNELS = 2  # four scope inputs see two balanced pairs
MOST_LOOPS = 4
EXTRA_LINES = ("mute", "dim")  # what the lines that are no loop's do, in this order


@dataclass(frozen=True, kw_only=True)
class Answers:
    """A line switcher: `loops` send/return loops, each on a line of its own, then the extra lines.

    relays_per_line: 1 for one relay that serves every channel, or one relay for each channel.
    """

    channels: int
    lines: int
    loops: int
    relays_per_line: int

    @property
    def channel_names(self) -> tuple[str, ...]:
        """`mono`, or `left` and `right`."""
        return ("mono",) if self.channels == 1 else ("left", "right")

    @property
    def loop_names(self) -> tuple[str, ...]:
        """`loop_1`, `loop_2` …: the loops' lines, and the stem of their nets."""
        return tuple(f"loop_{number}" for number in range(1, self.loops + 1))

    @property
    def extra_names(self) -> tuple[str, ...]:
        """The lines that are no loop's."""
        return EXTRA_LINES[: self.lines - self.loops]

    @property
    def line_names(self) -> tuple[str, ...]:
        """Every line, in the order that states are written."""
        return (*self.loop_names, *self.extra_names)


TEMPLATES: Mapping[str, Answers] = MappingProxyType(
    {
        "stereo-loops": Answers(channels=2, lines=3, loops=2, relays_per_line=2),
        "mono-insert": Answers(channels=1, lines=1, loops=1, relays_per_line=1),
        "stereo-mute": Answers(channels=2, lines=2, loops=0, relays_per_line=1),
    }
)
USUAL = "stereo-loops"


def template(name: str) -> Answers:
    """Give a template's answers. Raises UsageError naming those there are."""
    if name not in TEMPLATES:
        raise UsageError(f'no such template: "{name}"; expected one of {", ".join(TEMPLATES)}')
    return TEMPLATES[name]


def check_answers(answers: Answers) -> Answers:
    """Give the answers back where they fit together. Raises UsageError for the first that does not."""
    loops, lines = answers.loops, answers.lines
    most = loops + len(EXTRA_LINES)
    if not 1 <= answers.channels <= MOST_CHANNELS:
        raise UsageError(f"channels: found {answers.channels}; expected 1 (mono) or 2 (left and right)")
    if not 0 <= loops <= MOST_LOOPS:
        raise UsageError(f"loops: found {loops}; expected 0 to {MOST_LOOPS}")
    if not max(1, loops) <= lines <= most:
        raise UsageError(
            f"lines: found {lines}; expected {max(1, loops)} to {most} with {loops} loops: a line for each "
            f"loop, then {' and '.join(EXTRA_LINES)}"
        )
    if answers.relays_per_line not in (1, answers.channels):
        raise UsageError(
            f"relays per line: found {answers.relays_per_line}; expected 1, which serves every channel, or "
            f"{answers.channels}, one for each channel"
        )
    return answers
