"""A fixture's wiring with its bill of materials: in plain text, and as one HTML file without links elsewhere.

On the page connectors and plugs are drawn as SVG.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from harness.job.fixture import Fixture, Termination
from harness.job.job import Job
from harness.job.module import LEGS, Module
from harness.report.page_files import templates_in
from harness.report.plotter import COLD, HOT, Anchor, Picture
from harness.report.words import CAUTIONS
from harness.units import format_value
from harness.wiring.connections import (
    USUAL_TOLERANCE,
    Chosen,
    Fitted,
    Pin,
    Plug,
    choose,
    fitted,
    pin_of,
    plugs,
)

# A few times the voltage and current of relay supplies. Common practice, no source.
CLAMP = (
    "coil clamp across a control line: a diode for 1 A and 100 V or more, cathode on the line; if release "
    "times are checked, the kind of clamp that the unit has (with a plain diode a relay releases later)"
)
CONTROLS_SUM_OHM = 10_000.0  # joins control lines on one scope input; any value will do where all are equal


@dataclass(frozen=True, kw_only=True)
class Needed:
    """One line of the bill."""

    count: int
    what: str
    where: str


def loads(module: Module, fixture: Fixture) -> tuple[Chosen, ...]:
    """Every resistor that ends a port: loads, then what is on the inputs that nothing drives."""
    chosen: list[Chosen] = []
    for channel in module.channels:
        for net, load in fixture.loads.items():
            if not module.has_port(channel, net):
                continue
            chosen += _termination(f"load at {channel}.{net}", load)
        for port in module.ports:
            if port.role == "input" and port.is_in(channel) and fixture.undriven_inputs is not None:
                chosen += _termination(f"undriven {channel}.{port.net}", fixture.undriven_inputs)
    return tuple(chosen)


def bill(
    module: Module, fixture: Fixture, connectors: tuple[Fitted, ...], made: tuple[Plug, ...]
) -> tuple[Needed, ...]:
    """List connectors, the clamps of the control lines, then resistors of one value together."""
    lines = [
        Needed(count=1, what=f"{each.title}, mating with the unit's", where=each.name) for each in connectors
    ]
    if fixture.controls:
        lines.append(Needed(count=len(fixture.controls), what=CLAMP, where=", ".join(fixture.controls)))
    where: dict[tuple[float, str], Counter[str]] = {}
    for value, series, place in _values(module, fixture, made):
        where.setdefault((value, series), Counter())[place] += 1
    for (value, series), places in sorted(where.items()):
        lines.append(
            Needed(
                count=places.total(),
                what=f"resistor {format_value(value, 'ohm')}, {100 * USUAL_TOLERANCE:g} %, {series}",
                where=", ".join(places),
            )
        )
    return tuple(lines)


def _values(module: Module, fixture: Fixture, made: tuple[Plug, ...]) -> Iterator[tuple[float, str, str]]:
    for plug in made:
        for each in plug.resistors:
            yield each.bought_ohm, each.series, f"plug {plug.loopback}"
    for each in loads(module, fixture):
        yield each.bought_ohm, each.series, "loads" if each.place.startswith("load") else "undriven inputs"
    joined = {
        (setup.controls_viewed[control], control)
        for setup in fixture.setups
        for control in setup.controls_viewed
        if list(setup.controls_viewed.values()).count(setup.controls_viewed[control]) > 1
    }
    for _ in joined:
        yield CONTROLS_SUM_OHM, "E24", "control lines to the scope"


def _termination(place: str, end: Termination) -> Iterator[Chosen]:
    if end.across_ohm is not None:
        yield choose(place, end.across_ohm, end.tolerance)
    if end.leg_ohm is not None:
        for leg in LEGS:
            yield choose(f"{place} {leg} to ground", end.leg_ohm, end.tolerance)


@dataclass(frozen=True, kw_only=True)
class ChannelUse:
    """One switchboard channel and what it does."""

    channel: int
    does: str


@dataclass(frozen=True, kw_only=True)
class Wiring:
    """A job's wiring: connectors, switchboard, plugs, what ends the ports, and what to buy."""

    module: str
    fixture: str
    connectors: tuple[Fitted, ...]
    board: tuple[ChannelUse, ...]
    plugs: tuple[Plug, ...]
    loads: tuple[Chosen, ...]
    bill: tuple[Needed, ...]


def wiring_of(job: Job) -> Wiring:
    """Gather a job's wiring."""
    module, fixture = job.module, job.fixture
    connectors = fitted(module, fixture)
    made = plugs(module, fixture)
    return Wiring(
        module=module.title,
        fixture=fixture.name,
        connectors=connectors,
        board=_board(job),
        plugs=made,
        loads=loads(module, fixture),
        bill=bill(module, fixture, connectors, made),
    )


def _board(job: Job) -> tuple[ChannelUse, ...]:
    """The control lines' channels, then the setups that each other channel takes part in."""
    controls = {number: f"energises {control}" for control, number in job.fixture.controls.items()}
    uses: dict[int, list[str]] = {}
    for setup in job.fixture.setups:
        for number in setup.select or ():
            uses.setdefault(number, []).append(setup.name)
    selects = {number: f"closed for: {'; '.join(names)}" for number, names in uses.items()}
    return tuple(
        ChannelUse(channel=number, does=does)
        for channels in (controls, selects)
        for number, does in sorted(channels.items())
    )


TAGS = {"hot": "+", "cold": "-", "ground": "g"}
_PITCH = 44  # pixels between the pins of a drawn D connector


def ohm(value: float) -> str:
    """`1.1 kohm`."""
    return format_value(value, "ohm")


def connector_lines(connector: Fitted) -> Iterator[str]:
    """Pin list, then the drawing of a D connector."""
    yield f"{connector.name}: {connector.title}"
    rows = _rows(connector)
    width = max(len(str(row[0].port)) for row in rows)
    yield f"  {'ch':>2}  {'port':<{width}}  {'hot':>4}  {'cold':>4}  {'ground':>6}"
    for number, (hot, cold, ground) in enumerate(rows, start=1):
        yield f"  {number:2d}  {hot.port!s:<{width}}  {hot.pin:>4}  {cold.pin:>4}  {ground.pin:>6}"
    if connector.kind == "aes59":
        yield "  solder side of the fixture's male connector, wide row up; 3+ is channel 3 hot,"
        yield "  - cold, g ground"
        yield from d_rows(connector)


def _rows(connector: Fitted) -> list[tuple[Pin, ...]]:
    """A port's three pins in each row."""
    return [connector.pins[first : first + 3] for first in range(0, len(connector.pins), 3)]


def d_tags(connector: Fitted) -> Mapping[int, str]:
    """What is on each pin of a D connector: `3+` is hot of the third port."""
    return {int(pin.pin): f"{index // 3 + 1}{TAGS[pin.signal]}" for index, pin in enumerate(connector.pins)}


def d_rows(connector: Fitted) -> Iterator[str]:
    """The two rows of a 25-way D connector; on the solder side of a male one pin 1 is at the right.

    That side is from memory; the number is moulded beside the pins.
    """
    tags = d_tags(connector)
    for pins, indent in ((range(13, 0, -1), 4), (range(25, 13, -1), 6)):
        yield " " * indent + "".join(f"{pin:^5d}" for pin in pins).rstrip()
        yield " " * indent + "".join(f"{tags.get(pin, '.'):^5}" for pin in pins).rstrip()


def plug_lines(plug: Plug, pins: Mapping[tuple[str, str], Pin]) -> Iterator[str]:
    """One plug: ends with their pins, a drawing, and the error of the values to buy."""
    label = f', marked "{plug.label}"' if plug.label else ""
    yield f"{plug.loopback}{label} ({plug.kind}): {plug.start} to {plug.end}"
    by_place = {each.place: each for each in plug.resistors}
    for leg in ("hot", "cold"):
        start, end = _pin(pins, str(plug.start), leg), _pin(pins, str(plug.end), leg)
        if plug.kind == "pad":
            arms = [f"[{ohm(by_place[f'{leg} {which}'].bought_ohm)}]" for which in ("in", "out")]
            yield f"  {leg:<5}{start} --{arms[0]}--+--{arms[1]}-- {end}"
            if leg == "hot":
                indent = len(f"  {leg:<5}{start} --{arms[0]}--")
                yield f"{' ' * indent}[{ohm(by_place['shunt'].bought_ohm)}]"
            continue
        series, shunt = by_place.get(f"{leg} series"), by_place.get(f"{leg} shunt")
        wire = f"--[{ohm(series.bought_ohm)}]--" if series else "-----"
        to_ground = f"+--[{ohm(shunt.bought_ohm)}]-- ground" if shunt else ""
        yield f"  {leg:<5}{start} {wire}{'+' if shunt else ''}-- {end}" + (
            f"   {to_ground}" if to_ground else ""
        )
    yield f"  ground {_pin(pins, str(plug.start), 'ground')} ---- {_pin(pins, str(plug.end), 'ground')}"
    for each in plug.resistors:
        yield f"  {chosen_words(each)}"
    for path in plug.paths:
        off = path.bought_db - path.wanted_db
        yield f"  loss, {path.name}: {path.wanted_db:.2f} dB wanted, {path.bought_db:.2f} dB ({off:+.3f} dB)"


def chosen_words(each: Chosen) -> str:
    """`hot series 391.2 ohm: buy 390 ohm (E24, -0.31 %); E96 has 392 ohm, +0.20 %`."""
    wanted = f"{each.place} {ohm(each.wanted_ohm)}"
    if each.error == 0:
        return f"{wanted}: {each.series} has it"
    values = {"E24": each.e24_ohm, "E96": each.e96_ohm}
    off = {series: f"{100 * (value / each.wanted_ohm - 1):+.2f} %" for series, value in values.items()}
    other = "E96" if each.series == "E24" else "E24"
    return (
        f"{wanted}: buy {ohm(each.bought_ohm)} ({each.series}, {off[each.series]}); "
        f"{other} has {ohm(values[other])}, {off[other]}"
    )


def wiring_lines(wiring: Wiring) -> Iterator[str]:
    """The cautions, then the whole document but the setups' drawings."""
    pins = pin_of(wiring.connectors)
    yield f"{wiring.module}, {wiring.fixture}"
    if any(each.assumed for each in wiring.connectors):
        yield "fixture.toml has no [connectors]: drawn here on D connectors, eight ports on each"
    yield ""
    yield "Before you start:"
    for title, words in CAUTIONS:
        yield f"  {title}. {words}"
    yield ""
    for connector in wiring.connectors:
        yield from connector_lines(connector)
        yield ""
    yield "Switchboard:"
    for board in wiring.board:
        yield f"  {board.channel:2d}  {board.does}"
    if wiring.plugs:
        yield ""
        yield "Loopback plugs:"
        for plug in wiring.plugs:
            yield ""
            yield from plug_lines(plug, pins)
    if wiring.loads:
        yield ""
        yield "Loads:"
        for each in wiring.loads:
            yield f"  {chosen_words(each)}"
    yield ""
    yield "To buy:"
    for needed in wiring.bill:
        yield f"  {needed.count:3d}  {needed.what}: {needed.where}"


def _pin(pins: Mapping[tuple[str, str], Pin], port: str, signal: str) -> str:
    pin = pins.get((port, signal))
    return str(pin) if pin else f"{port} {signal}"


def d_connector(connector: Fitted) -> Markup:
    """The solder side of the fixture's male D connector; pin 1 at the right of the wide row."""
    tags = d_tags(connector)
    picture = Picture(14 * _PITCH, 128)
    outline = [(8, 8), (14 * _PITCH - 8, 8), (14 * _PITCH - 36, 120), (36, 120), (8, 8)]
    picture.path([(float(x), float(y)) for x, y in outline], "outline")
    for pins, left, y in ((range(13, 0, -1), 1.0, 42), (range(25, 13, -1), 1.5, 92)):
        for index, number in enumerate(pins):
            x = (left + index) * _PITCH
            tag = tags.get(number, "")
            kind = {"+": "hot", "-": "cold", "g": "earth"}.get(tag[-1:], "free")
            picture.mark(x, y, "dot", 12, kind, f"pin {number}")
            picture.text(x, y + 4, str(number), anchor="middle", kind="on" if tag else "off")
            picture.text(x, y - 17, tag, anchor="middle")
    return picture.finish(
        f"{connector.name}, {connector.title}", "Solder side of the male connector; the pin list has it all."
    )


def xlr(connector: Fitted) -> Markup:
    """The solder side of an XLR, pin 3 below.

    Seen from the mating face a male one has pin 1 at the left and 2 at the right, a female one the other way
    round, and the solder side is the mirror of each. From memory; the numbers are moulded beside the pins.
    """
    picture = Picture(620, 152)
    picture.mark(120, 76, "dot", 66, "outline")
    left, right = ("2", "1") if connector.sex == "male" else ("1", "2")
    places = {left: (84.0, 62.0), right: (156.0, 62.0), "3": (120.0, 112.0)}
    for pin in connector.pins:
        x, y = places[pin.pin]
        kind = "earth" if pin.signal == "ground" else pin.signal
        picture.mark(x, y, "dot", 12, kind, f"pin {pin.pin}: {pin.signal}")
        picture.text(x, y + 4, pin.pin, anchor="middle", kind="on")
        label_x, label_y = {left: (44.0, y + 4), right: (196.0, y + 4)}.get(pin.pin, (x, y - 17))
        anchor: Anchor = "end" if pin.pin == left else "start" if pin.pin == right else "middle"
        picture.text(label_x, label_y, pin.signal, anchor=anchor)
    return picture.finish(
        f"{connector.name}, {connector.title}",
        f"Solder side: pin {left} at the left, {right} at the right, 3 below. Pin 1 ground, 2 hot, 3 cold.",
    )


def plug_drawing(plug: Plug, pins: Mapping[tuple[str, str], Pin]) -> Markup:
    """A plug's two legs with their resistors, and ground."""
    picture = Picture(620, 200)
    values = {each.place: ohm(each.bought_ohm) for each in plug.resistors}
    for leg, y in (("hot", 40), ("cold", 120)):
        picture.line(120, y, 500, y, "wire")
        if plug.kind == "pad":
            _resistor(picture, 200, y, values[f"{leg} in"])
            _resistor(picture, 420, y, values[f"{leg} out"])
        elif f"{leg} series" in values:
            _resistor(picture, 220, y, values[f"{leg} series"])
        if f"{leg} shunt" in values:
            x = 360 if leg == "hot" else 440
            picture.line(x, y, x, 180, "wire")
            picture.mark(x, y, "dot", 3, "join")
            picture.mark(x, 180, "dot", 3, "join")
            _upright(picture, x, 80 if leg == "hot" else 152, values[f"{leg} shunt"])
    if "shunt" in values:
        picture.line(310, 40, 310, 120, "wire")
        _upright(picture, 310, 80, values["shunt"])
    picture.line(120, 180, 500, 180, "wire")
    for signal, y in (("hot", 40), ("cold", 120), ("ground", 180)):
        for port, x in ((plug.start, 112), (plug.end, 508)):
            pin = pins.get((str(port), signal))
            text = f"{signal} {pin}" if pin else signal
            picture.text(x, y + 4, text, anchor="end" if port == plug.start else "start")
    return picture.finish(
        f"Plug {plug.loopback}, {plug.start} to {plug.end}", "; ".join(f"{k} {v}" for k, v in values.items())
    )


def _resistor(picture: Picture, x: float, y: float, text: str) -> None:
    picture.box(x - 28, y - 8, 56, 16, "part")
    picture.text(x, y - 13, text, anchor="middle")


def _upright(picture: Picture, x: float, y: float, text: str) -> None:
    picture.box(x - 7, y - 17, 14, 34, "part")
    picture.text(x + 12, y + 4, text)


def render_page(wiring: Wiring, setups: Sequence[str]) -> str:
    """Make the page. setups: their drawings in text."""
    environment = templates_in(Path(__file__).parent)
    pins = pin_of(wiring.connectors)
    return environment.get_template("wiring.html").render(
        wiring=wiring,
        setups=setups,
        ohm=ohm,
        rows={each.name: _rows(each) for each in wiring.connectors},
        faces={
            each.name: d_connector(each) if each.kind == "aes59" else xlr(each)
            for each in wiring.connectors
            if each.kind != "pins"
        },
        cautions=CAUTIONS,
        colours={"hot": HOT, "cold": COLD},
        plug_drawings=[(plug, plug_drawing(plug, pins)) for plug in wiring.plugs],
    )
