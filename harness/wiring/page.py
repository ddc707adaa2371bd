"""A fixture's wiring as one HTML file without links to elsewhere, its connectors and plugs drawn as SVG."""

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from markupsafe import Markup

from harness.report.page_files import templates_in
from harness.report.plotter import COLD, HOT, Picture
from harness.report.words import CAUTIONS
from harness.wiring.connections import Fitted, Pin, Plug, pin_of
from harness.wiring.document import Wiring, d_tags, ohm

_PITCH = 44


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
        beside = {left: (44.0, y + 4), right: (196.0, y + 4)}.get(pin.pin, (x, y - 17))
        anchor: Literal["start", "middle", "end"] = (
            "end" if pin.pin == left else "start" if pin.pin == right else "middle"
        )
        picture.text(*beside, pin.signal, anchor=anchor)
    return picture.finish(
        f"{connector.name}, {connector.title}",
        f"Solder side: pin {left} at the left, {right} at the right, 3 below. Pin 1 ground, 2 hot, 3 cold.",
    )


def plug_drawing(plug: Plug, pins: dict[tuple[str, str], Pin]) -> Markup:
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
        for port, x, anchor in ((plug.start, 112, "end"), (plug.end, 508, "start")):
            pin = pins.get((str(port), signal))
            text = f"{signal} {pin}" if pin else signal
            picture.text(x, y + 4, text, anchor="end" if anchor == "end" else "start")
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
    pins = dict(pin_of(wiring.connectors))
    return environment.get_template("wiring.html").render(
        wiring=wiring,
        setups=setups,
        ohm=ohm,
        rows={
            each.name: [each.pins[first : first + 3] for first in range(0, len(each.pins), 3)]
            for each in wiring.connectors
        },
        faces={
            each.name: d_connector(each) if each.kind == "aes59" else xlr(each)
            for each in wiring.connectors
            if each.kind != "pins"
        },
        cautions=CAUTIONS,
        colours={"hot": HOT, "cold": COLD},
        plug_drawings=[(plug, plug_drawing(plug, pins)) for plug in wiring.plugs],
    )
