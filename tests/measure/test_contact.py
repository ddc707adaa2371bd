"""Series resistance from insertion loss, against loading tables; and where a load doesn't show it."""

import math

import numpy as np
import pytest

from harness.errors import ReadingError
from harness.measure.budget import Component
from harness.measure.transfer import Transfer
from harness.quantities.contacts import series_resistance
from harness.quantities.forms import PortTransfer
from harness.quantities.need import KnownOhm
from harness.reading import Limit
from tests.measure.measured import View, measured


def view(gain: float, relative: float = 0.0, source: str = "noise") -> PortTransfer:
    """A pair whose differential gain is `gain`, known to a relative standard uncertainty."""
    values = np.array([[gain, 0], [0, gain]], dtype=np.complex128)
    component = Component(name=source, source=source, delta=values * relative)
    transfer = Transfer(values=values, components=(component,), phase_known=True, polarity_known=True)
    return View(transfer=transfer, hot=0, cold=1).look()


def loading(load_ohm: float, tolerance: float = 0.0) -> tuple[KnownOhm, KnownOhm]:
    """Source and load."""
    return (
        KnownOhm(ohm=100.0, standard_ohm=0.0),
        KnownOhm(ohm=load_ohm, standard_ohm=tolerance * load_ohm / math.sqrt(3)),
    )


@pytest.mark.parametrize(
    ("load_ohm", "path_ohm", "loss_db"),
    [(600, 0.1, 0.00124), (600, 10.0, 0.1230), (20, 1.0, 0.0721), (10_000, 10.0, 0.00860)],
)
def test_a_path_costs_level_by_the_loading_formula(load_ohm: float, path_ohm: float, loss_db: float) -> None:
    """20 lg[(RL + Rs + R)/(RL + Rs)] with Rs 100 ohm: closed form (loading table of bridging losses)."""
    gain = load_ohm / (100 + load_ohm + path_ohm)
    assert 20 * math.log10(load_ohm / (100 + load_ohm) / gain) == pytest.approx(loss_db, rel=0.006)
    result = series_resistance(view(gain), *loading(load_ohm))
    assert result.estimate.value == pytest.approx(path_ohm, rel=1e-6)
    assert result.smallest_ohm < 1.0


def test_a_load_that_shows_no_contact_says_so() -> None:
    """0.3 ohm into 10 kohm with 0.01 dB: 23 ohm is the least that shows."""
    look, (source, load) = view(10_000 / 10_100.3, 0.01 / 8.686), loading(10_000)
    result = series_resistance(look, source, load)
    assert result.estimate.floor
    assert result.smallest_ohm == pytest.approx(2 * 10_100 * 0.01 / 8.686, rel=0.01)
    with pytest.raises(ReadingError, match=r"^not observable here: into 1e\+04 ohm, less than 23 ohm"):
        measured(
            "contact_resistance", [look], source=source, load=load,
            limit=Limit(kind="below", unit="ohm", high=1.0),
        )  # fmt: skip


def test_the_loads_tolerance_counts_by_the_sources_share() -> None:
    """dR = dRL Rs/RL: 0.1 % of 600 ohm behind 100 ohm is 0.1 ohm, 0.058 ohm standard."""
    result = series_resistance(view(600 / 701), *loading(600, 0.001))
    assert result.estimate.standard == pytest.approx(0.1 / math.sqrt(3), rel=0.02)
    assert result.estimate.budget[0].name == "tolerance of the load"


def test_from_the_driven_port_in_view_neither_source_nor_level_counts() -> None:
    """Closed form: 100 ohm behind 0.8 ohm shows 100/100.8 of the driven port, whatever feeds that."""
    for before in (0.4, 0.9):
        values = np.zeros((4, 2), dtype=np.complex128)
        values[0, 0] = values[1, 1] = before
        values[2, 0] = values[3, 1] = before * 100 / 100.8
        level = Component(name="generator level", source="level", delta=0.01 * values)
        transfer = Transfer(values=values, components=(level,), phase_known=True, polarity_known=True)
        look = View(transfer=transfer, hot=2, cold=3, drive=(0, 1)).look()
        nothing, load = KnownOhm(ohm=0.0, standard_ohm=0.0), KnownOhm(ohm=100.0, standard_ohm=0.06)
        result = series_resistance(look, nothing, load)
        assert result.estimate.value == pytest.approx(0.8, rel=1e-6)
        assert result.estimate.standard == pytest.approx(0.8 * 0.06 / 100, rel=1e-3)


def test_an_open_path_has_no_resistance() -> None:
    with pytest.raises(ReadingError, match="the path is open"):
        series_resistance(view(1e-9), *loading(600))
