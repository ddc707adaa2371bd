"""Curves over axes: where they lie, what the axes are marked with, and that nothing breaks out of the SVG."""

import re
import xml.etree.ElementTree as ET

import pytest

from harness.report.graph import Box, Look, Panel, in_a_row, roomy, round_values, svg

BOX = Box(left=100.0, top=10.0, right=300.0, bottom=110.0)
INK = Look(colour="#000000")


def panel(**changed):
    return Panel(box=BOX, x=(0.0, 10.0), y=(-1.0, 1.0), **changed)


def places(drawn):
    """Every point of the curves, without grid and frame."""
    curves = drawn[drawn.index("<g clip-path") : drawn.index("</g>")]
    return [(float(x), float(y)) for x, y in re.findall(r"(?:M|L) ([\d.-]+) ([\d.-]+)", curves)]


def test_a_curve_lies_where_its_axes_say():
    one = panel()
    one.curve([0.0, 5.0, 10.0], [-1.0, 0.0, 1.0], INK)
    assert places(one.drawn(0)) == [(100.0, 110.0), (200.0, 60.0), (300.0, 10.0)]


def test_a_decade_is_as_wide_as_any_other():
    one = Panel(box=BOX, x=(10.0, 1000.0), y=(0.0, 1.0), log_x=True)
    one.curve([10.0, 100.0, 1000.0], [0.0, 0.0, 0.0], INK)
    assert [x for x, _ in places(one.drawn(0))] == [100.0, 200.0, 300.0]


@pytest.mark.parametrize(
    ("ends", "most", "expected"),
    [
        ((-0.8, 4.0), 10, ["−0.5", "0.0", "0.5", "1.0", "1.5", "2.0", "2.5", "3.0", "3.5", "4.0"]),
        ((-0.11, 0.11), 5, ["−0.10", "−0.05", "0.00", "0.05", "0.10"]),
        ((0.0, 1.0), 4, ["0.00", "0.25", "0.50", "0.75", "1.00"]),
        ((0.0, 2.5e-6), 2, ["0.000000", "0.000002"]),
        ((120.0, 980.0), 5, ["200", "400", "600", "800"]),
    ],
)
def test_axes_are_marked_with_round_values(ends, most, expected):
    assert list(round_values(*ends, most=most).values()) == expected


def test_a_flat_line_has_an_axis_too():
    low, high = roomy([3.0, 3.0])
    assert low < 3.0 < high
    assert roomy([]) == (-1.0, 1.0)


def test_a_name_from_a_job_cannot_break_out_and_a_long_legend_takes_another_row():
    one = panel()
    for number in range(9):
        one.curve([0.0], [0.0], INK, f"</text><script> {number}")
    one.x_axis({}, "a & b")
    picture = svg(400, 130, [one], in_a_row(one.legend, 100.0, 300.0, 60.0))
    drawn = ET.fromstring(picture)
    texts = list(drawn.iter("{http://www.w3.org/2000/svg}text"))
    assert {text.text for text in texts} >= {"</text><script> 3", "a & b"}
    assert len({text.get("y") for text in texts}) > 2
