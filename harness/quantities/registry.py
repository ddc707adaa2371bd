"""Every quantity that there is, in the order in which reports, notes and documents have them."""

from collections.abc import Mapping
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
from harness.quantities.cycle import Intermittency
from harness.quantities.quantity import Quantity
from harness.quantities.residual import Distortion, Noise, Offset
from harness.quantities.steady import (
    Balance,
    BalancePhase,
    Capacitance,
    ChannelMatch,
    ChannelPhase,
    CommonModeRejection,
    ContactResistance,
    Crosstalk,
    Gain,
    Isolation,
    Phase,
    Polarity,
    Response,
)
from harness.quantities.supply import SupplyCurrent

QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
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
