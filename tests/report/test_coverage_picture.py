"""The picture of what a sequence would see, read without colour and without eyes."""

import base64
import re
import xml.etree.ElementTree as ET
from typing import Any
from xml.etree.ElementTree import Element

import pytest

from harness.faults.coverage import FaultSeen
from harness.job.faults import Fault, FaultKind
from harness.report.coverage import MOST_TOLD, PANELS, CoverageFigure, draw_coverage

SVG = "{http://www.w3.org/2000/svg}"


def judged(kind: FaultKind, subject: str, *, seen: bool, **more: Any) -> FaultSeen:
    fault = Fault(kind=kind, subject=subject, **more)
    return FaultSeen(
        fault_set=(fault,), seen=seen, by="", margin=0.0, readings=0, why="" if seen else "<b>why</b>"
    )


@pytest.fixture
def drawn() -> CoverageFigure:
    faults = [
        judged("relay never operates", "K1", seen=True),
        judged("relay always operated", "K1", seen=False),
        judged("leg open", "out", seen=True, channel="left", leg="hot"),
        judged("throw stuck open", "K2.1.hot", seen=False, throw="released"),
        *(judged("part open", f"R{n}.hot", seen=False) for n in range(MOST_TOLD)),
    ]
    figure = draw_coverage(faults)
    assert figure is not None
    return figure


def picture(drawn: CoverageFigure) -> Element:
    kind, _, data = drawn.figure.address.partition(",")
    assert kind == "data:image/svg+xml;base64"
    return ET.fromstring(base64.b64decode(data))


def test_every_cell_has_its_figures_beside_its_bar(drawn: CoverageFigure) -> None:
    words = [text.text for text in picture(drawn).iter(f"{SVG}text")]
    assert words[:3] == ["Relays", "armature", "throw open"]
    assert words.count("1 of 2") == 1
    assert "0 of 1" in words
    assert "1 of 1" in words


def test_what_is_not_seen_is_hatched_and_what_is_is_filled(drawn: CoverageFigure) -> None:
    bars = [rect for rect in picture(drawn).iter(f"{SVG}rect") if rect.get("height") == "11.0"]
    assert {bar.get("class") for bar in bars} == {"unseen", "full"}
    style = next(picture(drawn).iter(f"{SVG}style")).text or ""
    assert ".unseen{fill:url(#unseen)" in style
    assert re.search(r"\.full\{[^}]*fill:#33332f", style)
    filled = [float(bar.attrib["width"]) for bar in bars if bar.get("class") == "full"]
    assert filled[0] == 30  # half of a bar, for one of two


def test_its_words_tell_the_sums_and_every_cell_that_is_not_full(drawn: CoverageFigure) -> None:
    told = drawn.figure.text
    assert told.startswith("Faults detected, of those possible. Relays: 1 of 3, of which K1 armature 1 of 2")
    assert "Connectors: 1 of 1." in told


def test_unseen_faults_are_named_with_reasons_and_the_rest_counted(drawn: CoverageFigure) -> None:
    assert drawn.headline == f"2 of {4 + MOST_TOLD} single faults ({200 / (4 + MOST_TOLD):.1f} %)"
    assert len(drawn.unseen) == MOST_TOLD
    assert drawn.more == 2


def test_it_needs_nothing_from_elsewhere(drawn: CoverageFigure) -> None:
    text = base64.b64decode(drawn.figure.address.partition(",")[2]).decode()
    assert "href" not in text
    assert text.count("http") == 1  # the name of SVG itself


def test_every_hard_kind_of_fault_has_its_place() -> None:
    from typing import get_args

    from harness.job.faults import FaultKind

    placed = {kind for kinds in PANELS.values() for kind in kinds}
    timing = {"relay slow to operate", "relay slow to release", "relay long bounce"}
    assert placed == set(get_args(FaultKind)) - timing - {"throw resistance", "throw intermittent"}


def test_no_faults_make_no_picture() -> None:
    assert draw_coverage(()) is None
