"""Every quantity that there is, in the order in which reports, notes and documents have them."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from harness.quantities.change import (
    BounceTime,
    ClickDuration,
    ClickEnergy,
    ClickPeak,
    OperateTime,
    ReleaseTime,
    TransferTime,
)
from harness.quantities.common_mode import CommonModeRejection
from harness.quantities.contacts import ContactResistance, CouplingCapacitance
from harness.quantities.cycle import Intermittency
from harness.quantities.levels import (
    ChannelGainDifference,
    Crosstalk,
    Gain,
    Isolation,
    LegGainDifference,
    LegIsolation,
    Polarity,
    Response,
)
from harness.quantities.phases import ChannelPhaseDifference, LegPhaseError, Phase
from harness.quantities.quantity import AnyQuantity, Suggestion
from harness.quantities.residual import DcOffset, Distortion, Noise
from harness.quantities.supply import SupplyCurrent

QUANTITIES: Mapping[str, AnyQuantity] = MappingProxyType(
    {
        quantity.name: quantity
        for quantity in (
            Gain(),
            Polarity(),
            Phase(),
            LegGainDifference(),
            LegPhaseError(),
            ChannelGainDifference(),
            ChannelPhaseDifference(),
            DcOffset(),
            Isolation(),
            LegIsolation(),
            Crosstalk(),
            SupplyCurrent(),
            Response(),
            CommonModeRejection(),
            Noise(),
            Distortion(),
            ContactResistance(),
            CouplingCapacitance(),
            Intermittency(),
            ClickPeak(),
            ClickEnergy(),
            ClickDuration(),
            OperateTime(),
            ReleaseTime(),
            BounceTime(),
            TransferTime(),
        )
    }
)
"""By name."""

AT_SILENT_PORTS = tuple(quantity for quantity in QUANTITIES.values() if quantity.at_silent_ports)

SUGGESTED: Sequence[tuple[AnyQuantity, Suggestion]] = sorted(
    ((quantity, quantity.suggested) for quantity in QUANTITIES.values() if quantity.suggested is not None),
    key=lambda entry: entry[1].rank,
)
"""Those that are tried to see faults that a sequence does not, in the order in which they are tried."""
OVER_FREQUENCY = frozenset(name for name, quantity in QUANTITIES.items() if quantity.drawn_over_frequency)
"""Names of those that have a reading for each frequency."""


def of_two_ports(*, amplified: bool) -> tuple[AnyQuantity, ...]:
    """Those that need two ports in one record; amplified: the unit has amplifiers, which can invert."""
    return tuple(
        quantity
        for quantity in QUANTITIES.values()
        if quantity.drive_in_view(amplified=amplified) or quantity.across(quantity.options())
    )
