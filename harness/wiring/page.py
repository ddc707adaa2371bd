"""A fixture's wiring as one HTML file without links to elsewhere."""

from collections.abc import Sequence
from pathlib import Path

from harness.report.templates import templates_in
from harness.wiring import drawings
from harness.wiring.connectors import pin_of
from harness.wiring.document import Wiring
from harness.wiring.text import ohm


def render_page(wiring: Wiring, hookups: Sequence[str]) -> str:
    """Make the page. hookups: their drawings in text."""
    environment = templates_in(Path(__file__).parent)
    pins = dict(pin_of(wiring.connectors))
    return environment.get_template("wiring.html").render(
        wiring=wiring,
        hookups=hookups,
        ohm=ohm,
        rows={
            each.name: [each.pins[first : first + 3] for first in range(0, len(each.pins), 3)]
            for each in wiring.connectors
        },
        faces={
            each.name: drawings.d_connector(each) if each.kind == "aes59" else drawings.xlr(each)
            for each in wiring.connectors
            if each.kind != "pins"
        },
        plug_drawings=[(plug, drawings.plug_drawing(plug, pins)) for plug in wiring.plugs],
    )
