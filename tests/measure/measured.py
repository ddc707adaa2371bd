"""The quantities of transfers, each measured of ports that a test has made up."""

from dataclasses import dataclass

import numpy as np

from harness.measure.budget import propagate
from harness.measure.transfer import Transfer
from harness.quantities.forms import PortTransfer, leg_answer
from harness.quantities.need import KnownOhm, PortView
from harness.quantities.quantity import PlannedReading
from harness.quantities.registry import QUANTITIES
from harness.quantities.steady import OfTransfers, Steady
from harness.reading import Estimate, Limit, Measurand, ReadingKey


@dataclass(frozen=True, kw_only=True, eq=False)
class View:
    """A port as seen by one transfer: the rows of its hot and its cold leg; those of the driven port."""

    transfer: Transfer
    hot: int
    cold: int
    drive: tuple[int, int] | None = None

    @property
    def rows(self) -> tuple[int, int]:
        return self.hot, self.cold

    def look(self, frequency_hz: float = 1e3, driven: "View | None" = None) -> PortTransfer:
        rows = None if driven is None else driven.rows
        view = PortView(rows=self.rows, frequency_hz=frequency_hz, driven_rows=rows, drive_rows=self.drive)
        return PortTransfer(transfer=self.transfer, view=view)


def measured(
    name: str,
    looks: list[PortTransfer],
    k: float = 2.0,
    *,
    source: KnownOhm | None = None,
    load: KnownOhm | None = None,
    limit: Limit | None = None,
) -> Estimate:
    """A quantity, by its name, of what some captures show."""
    quantity = QUANTITIES[name]
    assert isinstance(quantity, Steady)
    planned = PlannedReading(
        key=ReadingKey(check=name, measurand=Measurand(quantity=name, state="idle")),
        quantity=quantity,
        limit=limit,
        captures=tuple(range(len(looks))),
        given=OfTransfers(views=tuple(look.view for look in looks), source=source, load=load),
    )
    return quantity.of_transfers(planned, [look.transfer for look in looks], k)


def gain(view: View, k: float = 2.0) -> Estimate:
    return measured("gain", [view.look()], k)


def polarity(view: View, k: float = 2.0) -> Estimate:
    return measured("polarity", [view.look()], k)


def phase(view: View, k: float = 2.0) -> Estimate:
    return measured("phase", [view.look()], k)


def leg_gain_difference(view: View, k: float = 2.0) -> Estimate:
    return measured("leg_gain_difference", [view.look()], k)


def leg_phase_error(view: View, k: float = 2.0) -> Estimate:
    return measured("leg_phase_error", [view.look()], k)


def common_mode_rejection(view: View, k: float = 2.0) -> Estimate:
    return measured("common_mode_rejection", [view.look()], k)


def crosstalk(quiet: View, driven: View, k: float = 2.0) -> Estimate:
    """Both of one transfer."""
    return measured("crosstalk", [quiet.look(driven=driven)], k)


def channel_gain_difference(right: View, left: View, k: float = 2.0) -> Estimate:
    return measured("channel_gain_difference", [left.look(), right.look()], k)


def channel_phase_difference(right: View, left: View, k: float = 2.0) -> Estimate:
    return measured("channel_phase_difference", [left.look(), right.look()], k)


def response(view: View, reference: View, k: float = 2.0) -> Estimate:
    return measured("response", [view.look(), reference.look()], k)


def leg_gain(transfer: Transfer, row: int, k: float = 2.0) -> Estimate:
    """One leg's level over that of a source leg, dB."""
    return propagate(
        lambda h: np.asarray(2 * leg_answer(h, row)),
        transfer.values,
        transfer.components,
        coverage_factor=k,
        scale="db",
    )


def near_deg(angle: Estimate, expected_deg: float) -> Estimate:
    """Shifted by whole turns to lie within half a turn of what is expected."""
    expected = Estimate(
        value=expected_deg, standard=0.0, low=expected_deg, high=expected_deg, coverage_factor=2.0,
        floor=False, budget=(),
    )  # fmt: skip
    return QUANTITIES["phase"].near(angle, expected)
