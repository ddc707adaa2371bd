"""The pictures of a run's page: which of its kept waveforms are shown, and what has been drawn of them."""

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.reading import Reading
from harness.report.response_plot import ResponsePlot
from harness.roles import Capture

MOST_PICTURES = 8
_PERIODS = 6  # of a tone that are shown
_HEIGHT, _EDGE_HEIGHT = 230, 278  # pixels


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A kept waveform that is shown, and the readings it belongs to. window_s: of it, from its beginning."""

    acquisition: int
    readings: tuple[Reading, ...]
    window_s: float


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A waveform as a data address, what it shows in words, and the inputs that clipped in it."""

    address: str
    text: str
    height: int  # pixels
    clipped: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """What of a run is drawn already. waveforms: SVG by acquisition; responses: None where they are not."""

    waveforms: Mapping[int, str]
    responses: Sequence[ResponsePlot] | None


NOT_DRAWN = Drawn(waveforms={}, responses=None)


def choose_pictures(concerns: Sequence[Reading], waveforms: Mapping[int, Capture]) -> list[Shown]:
    """Choose the waveforms to show: those of readings that did not pass, and changes of state, passed or not.

    concerns: all readings, the worst first. waveforms: the captures that were kept, by acquisition.
    """
    wanted: dict[int, list[Reading]] = {}
    passed: dict[int, list[Reading]] = {}
    for reading in concerns:
        for acquisition in reading.acquisitions:
            if acquisition in waveforms:
                which = wanted if reading.verdict != "pass" else passed
                which.setdefault(acquisition, []).append(reading)
    for acquisition, readings in passed.items():
        if waveforms[acquisition].marks:
            wanted.setdefault(acquisition, []).extend(readings)
    return [
        Shown(
            acquisition=acquisition,
            readings=tuple(readings),
            window_s=_window_s(waveforms[acquisition], readings),
        )
        for acquisition, readings in list(wanted.items())[:MOST_PICTURES]
    ]


def draw(capture: Capture, window_s: float) -> str:
    """Draw a waveform, or the stretch of it around a change of state: an SVG element, as text."""
    from harness.report.edge_pictures import draw_edge
    from harness.report.pictures import draw_waveform

    return draw_edge(capture) if capture.marks else draw_waveform(capture, window_s=window_s)


def make_picture(shown: Shown, capture: Capture, drawn: Drawn) -> Picture:
    """Make a picture of a waveform, as it is drawn already or by drawing it."""
    from harness.report.edge_pictures import describe_edge

    svg = drawn.waveforms.get(shown.acquisition) or draw(capture, shown.window_s)
    clipped = zip(capture.inputs, capture.clipped, strict=True)
    return Picture(
        address=f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}",
        text=describe_edge(capture) if capture.marks else _swings(capture),
        height=_EDGE_HEIGHT if capture.marks else _HEIGHT,
        clipped=() if capture.marks else tuple(number for number, count in clipped if count),
    )


def _window_s(capture: Capture, readings: Sequence[Reading]) -> float:
    tones_hz = [hz for reading in readings if (hz := reading.key.measurand.frequency_hz)]
    return _PERIODS / tones_hz[0] if tones_hz else capture.interval_s * capture.volts.shape[1]


def _swings(capture: Capture) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    swings = ", ".join(
        f"input {number} {volts.max() - volts.min():.3g} V peak to peak"
        for number, volts in zip(capture.inputs, capture.volts, strict=True)
    )
    return f"Voltage over time: {swings}"
