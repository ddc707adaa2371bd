"""Leads by what they show, where one state is not enough to tell them apart: levels made up for a changeover.

Four pins: in.hot, in.cold, out.hot, out.cold. Released the output is the input; with the relay operated it
has its legs swapped. The scope's inputs 1 and 2 belong on the output.
"""

import numpy as np
import pytest

from harness.faults.lead_levels import Levels, PredictedLevels, misplaced

HOT, COLD, NOTHING = (1.0, 0.0), (0.0, 1.0), (0.0, 0.0)
IDLE, OPERATED = (HOT, COLD, HOT, COLD), (HOT, COLD, COLD, HOT)
RIGHT = np.array([IDLE, OPERATED])
PREDICTED = PredictedLevels(
    pins=("in.hot", "in.cold", "out.hot", "out.cold"),
    own=(2, 3),
    inputs=(1, 2),
    levels={"": RIGHT, "the generator's leads are swapped": RIGHT[..., ::-1]},
    generator_leads={"the generator's leads are swapped": ("generator hot", "generator cold")},
)


def seen(*rows: int) -> Levels:
    """What inputs 1 and 2 show on these pins, in both states, a little off as a unit may be."""
    return np.asarray(0.9 * RIGHT[:, list(rows)])


def test_leads_on_their_own_pins_are_right() -> None:
    assert misplaced(PREDICTED, seen(2, 3)) is None


@pytest.mark.parametrize(
    ("rows", "lead", "pin"), [((0, 3), "input 1", "in.hot"), ((2, 1), "input 2", "in.cold")]
)
def test_a_lead_on_the_input_is_told_by_the_second_state(rows: tuple[int, int], lead: str, pin: str) -> None:
    result = misplaced(PREDICTED, seen(*rows))
    assert result is not None
    assert result.leads == (lead,)
    assert f"{lead} shows what is on {pin}" in result.message


def test_swapped_leads_may_be_the_generators_or_the_scopes_where_only_one_port_is_viewed() -> None:
    result = misplaced(PREDICTED, seen(3, 2))
    assert result is not None
    assert set(result.leads) == {"generator hot", "generator cold", "input 1", "input 2"}


def test_a_route_that_breaks_in_one_state_is_the_units_and_no_leads() -> None:
    broken = seen(2, 3)
    broken[1] = 0.0
    assert misplaced(PREDICTED, broken) is None


def test_a_level_that_no_place_explains_is_told_in_figures() -> None:
    odd = np.asarray(0.5 * RIGHT[:, [2, 3]])
    result = misplaced(PREDICTED, odd)
    assert result is not None
    assert "input 1 on out.hot shows 0.50 of the hot output and 0.00 of the cold one" in result.message
