"""The truth table as a page to print: for each state the relays that are operated, and every route drawn with
the ports, parts and contacts that it passes.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from markupsafe import Markup

from harness.circuit.expand import is_operated
from harness.circuit.routes import Stop, stops_of
from harness.circuit.truth import TruthRow, level_text
from harness.job.fixture import PortName
from harness.job.job import Job
from harness.job.module import Relay
from harness.job.state import State
from harness.report.page_files import templates_in
from harness.report.plotter import LETTER, Picture

WIDTH, ROW, EDGE, BOX, GAP = 1000, 46, 10, 22, 14
CONTINUED = 40  # where the rest of a route begins that does not fit one row


@dataclass(frozen=True, kw_only=True)
class RoutesOfState:
    """A state, the relays operated or set in it by control line, and a drawing for each driven port."""

    name: str
    relays: str  # "loop_a operates K1, K2; mic_on sets K3"
    drawings: tuple[tuple[str, Markup], ...]
    silent: tuple[str, ...]


def routing_page(job: Job, rows: Sequence[TruthRow], states: Sequence[State], *, frequency_hz: float) -> str:
    """Make the page of these rows of the truth table, state by state."""
    environment = templates_in(Path(__file__).parent)
    controls = [
        (name, job.fixture.controls.get(name, ""), ", ".join(_relays_on(job, name)))
        for name in job.module.control_names
    ]
    return environment.get_template("routing.html").render(
        job=job,
        controls=controls,
        states=[_of_state(job, state, [row for row in rows if row.state == state.name]) for state in states],
        frequency_hz=frequency_hz,
    )


def _relays_on(job: Job, control: str) -> Iterator[str]:
    for relay in job.module.relays:
        if relay.control == control:
            yield relay.name
        elif control in (relay.set_control, relay.reset_control):
            yield f"{relay.name} {'set' if control == relay.set_control else 'reset'}"


def _of_state(job: Job, state: State, rows: Sequence[TruthRow]) -> RoutesOfState:
    operated: dict[str, list[Relay]] = {}
    for relay in job.module.relays:
        if is_operated(relay, state):
            operated.setdefault(relay.operating_control, []).append(relay)
    live = [row for row in rows if row.live]
    return RoutesOfState(
        name=state.name,
        relays="; ".join(_moved(line, relays) for line, relays in operated.items())
        or f"All relays are released{' or reset' if job.module.set_controls else ''}.",
        drawings=tuple(
            (driven, _drawing(job, state, list(group)))
            for driven, group in groupby(live, key=lambda row: row.driven)
        ),
        silent=tuple(
            f"{row.driven} to {row.port} ({level_text(row)}{' dB' if row.gain_db is not None else ''})"
            for row in rows
            if row.live is False
        ),
    )


def _moved(control: str, relays: Sequence[Relay]) -> str:
    verb = "sets" if relays[0].set_control == control else "operates"
    return f"{control} {verb} {', '.join(relay.name for relay in relays)}"


def _drawing(job: Job, state: State, rows: Sequence[TruthRow]) -> Markup:
    """Every route from one driven port; a row each, or more if it is long."""
    single = _relays_with_one_contact(job)
    laid_out = []
    y = 0
    for row in rows:
        placed, end = _laid_out(_stops(job, state, row), single, y)
        laid_out.append((row, placed, end))
        y = end[1] + ROW
    picture = Picture(WIDTH, y + 4)
    for row, placed, end in laid_out:
        for at, following in zip(placed, [*placed[1:], None], strict=True):
            _draw(picture, at, following)
        level = f"{level_text(row)} dB".replace("-", "−")
        inverted = ", inverted" if row.polarity == "inverted" else ""
        picture.text(end[0] + GAP, end[1] + ROW / 2 + 8, f"{level}{inverted}", kind="level")
    driven = rows[0].driven
    words = "; ".join(f"{row.port}: {row.route}, {level_text(row)} dB" for row in rows)
    return picture.finish(f"Driven at {driven}, {state.name}", words)


def _stops(job: Job, state: State, row: TruthRow) -> tuple[Stop, ...]:
    setup = next(each for each in job.fixture.setups if each.name == row.setup)
    channel, _, net = row.port.partition(".")
    return stops_of(job.module, job.fixture, setup, state, PortName(channel=channel, net=net))


def _relays_with_one_contact(job: Job) -> frozenset[str]:
    """Relays of which the number of the contact need not be said."""
    return frozenset(
        relay.name for relay in job.module.relays if len({pole.contact for pole in relay.poles}) == 1
    )


@dataclass(frozen=True, kw_only=True)
class _Placed:
    """A stop with its texts, and the rectangle in which it is drawn."""

    stop: Stop
    texts: tuple[str, ...]
    x: float
    y: float
    width: float


def _laid_out(
    stops: Sequence[Stop], single: frozenset[str], y: int
) -> tuple[list[_Placed], tuple[float, int]]:
    """The stops from left to right, and where the route's last one ends."""
    placed: list[_Placed] = []
    x = float(EDGE)
    for stop in stops:
        texts = _texts(stop, single)
        width = LETTER * max(map(len, texts)) + (2 * EDGE if stop.kind != "contact" else EDGE)
        if x + width > WIDTH - 130:  # room for the level
            x, y = float(CONTINUED), y + ROW
        placed.append(_Placed(stop=stop, texts=texts, x=x, y=y, width=width))
        x += width + GAP
    return placed, (x - GAP, y)


def _texts(stop: Stop, single: frozenset[str]) -> tuple[str, ...]:
    """A contact's relay above its throw; the rest as it is called."""
    if stop.kind != "contact":
        return (stop.name,)
    names, throws = [], []
    for each in stop.name.split(", "):
        contact, throw = each.split(" ")
        relay = contact.partition(".")[0]
        names.append(relay if relay in single else contact)
        throws.append(throw)
    return ", ".join(dict.fromkeys(names)), ", ".join(dict.fromkeys(throws))


def _draw(picture: Picture, at: _Placed, following: _Placed | None) -> None:
    middle = at.y + ROW / 2 + 4
    right = at.x + at.width
    if at.stop.kind == "contact":
        picture.line(at.x, middle, right, middle, "wire")
        picture.mark(at.x + at.width / 2, middle, "diamond", 3.5, at.texts[1].split(",")[0])
        picture.text(at.x + at.width / 2, middle - 8, at.texts[0], anchor="middle", kind="relay")
        picture.text(at.x + at.width / 2, middle + 16, at.texts[1], anchor="middle", kind="throw")
    else:
        picture.box(at.x, middle - BOX / 2, at.width, BOX, at.stop.kind)
        picture.text(at.x + at.width / 2, middle + 4, at.texts[0], anchor="middle")
    if following is None:
        return
    if following.y == at.y:
        picture.line(right, middle, following.x, middle, "wire")
    else:  # on to the next row
        below = following.y + ROW / 2 + 4
        turn = CONTINUED - GAP
        picture.path(
            [(right, middle), (right + 6, middle), (right + 6, below - ROW / 2), (turn, below - ROW / 2),
             (turn, below), (following.x, below)],
            "wire",
        )  # fmt: skip
