"""Every quantity that there is, in the order in which reports, notes and documents have them."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from harness.quantities.change import (
    Bounce,
    ClickDuration,
    ClickEnergy,
    ClickPeak,
    Gap,
    OperateTime,
    ReleaseTime,
)
from harness.quantities.contacts import Capacitance, ContactResistance
from harness.quantities.cycle import Intermittency
from harness.quantities.levels_and_phases import (
    Balance,
    BalancePhase,
    ChannelMatch,
    ChannelPhase,
    CommonModeRejection,
    Crosstalk,
    Gain,
    Isolation,
    LegIsolation,
    Phase,
    Polarity,
    Response,
)
from harness.quantities.quantity import AnyQuantity, Suggestion
from harness.quantities.residual import Distortion, Noise, Offset
from harness.quantities.supply import SupplyCurrent

QUANTITIES: Mapping[str, AnyQuantity] = MappingProxyType(
    {
        quantity.name: quantity
        for quantity in (
            Gain(),
            Polarity(),
            Phase(),
            Balance(),
            BalancePhase(),
            ChannelMatch(),
            ChannelPhase(),
            Offset(),
            Isolation(),
            LegIsolation(),
            Crosstalk(),
            SupplyCurrent(),
            Response(),
            CommonModeRejection(),
            Noise(),
            Distortion(),
            ContactResistance(),
            Capacitance(),
            Intermittency(),
            ClickPeak(),
            ClickEnergy(),
            ClickDuration(),
            OperateTime(),
            ReleaseTime(),
            Bounce(),
            Gap(),
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
