"""A picture's legend says which input saw which leg, also where the scope's inputs are swapped."""

import numpy as np
import pytest

from harness.job.fixture import PortName, Setup
from harness.plan.setups import input_numbers
from harness.report.waveforms import draw_change, draw_waveform
from harness.roles import Capture, CaptureSetting, InputSetting, Mark
from harness.session.recorder import in_order

OUT = PortName(channel="left", net="out")
HOT_V, COLD_V = 1.0, -2.0


def capture(*, inputs_swapped: bool) -> Capture:
    """As a run has it: the hot leg status 1 V, the cold one at -2 V, whichever input sees it."""
    numbers = input_numbers(
        Setup(
            name="h",
            through=False,
            drive=OUT,
            view=(OUT,),
            loopbacks=(),
            select=(1,),
            inputs_swapped=inputs_swapped,
        )
    )
    volts = dict(zip(numbers, (HOT_V, COLD_V), strict=True))
    scope = Capture(
        inputs=(1, 2), volts=np.array([np.full(500, volts[1]), np.full(500, volts[2])]), interval_s=1e-5,
        full_scale_v=(8.0, 8.0), step_v=(0.03, 0.03), clipped=(0, 0),
        setting=CaptureSetting(
            inputs={1: InputSetting(volts_per_division=1.0), 2: InputSetting(volts_per_division=1.0)},
            duration_s=5e-3, samples=500,
        ),
        marks=(Mark(kind="opens", input=numbers[0], time_s=2e-3),),
    )  # fmt: skip
    return in_order(scope, numbers)


@pytest.mark.parametrize(
    ("inputs_swapped", "hot", "cold"),
    [(False, "input 1, hot", "input 2, cold"), (True, "input 2, hot", "input 1, cold")],
)
def test_the_legend_follows_the_leads(inputs_swapped: bool, hot: str, cold: str) -> None:
    made = capture(inputs_swapped=inputs_swapped)
    assert [float(row.mean()) for row in made.volts] == [HOT_V, COLD_V]
    for figure in (draw_waveform(made, window_s=5e-3), draw_change(made)):
        picture = figure.svg
        assert hot in picture
        assert cold in picture
        assert picture.index(hot) < picture.index(cold)
