"""The limit of a check, in the unit that its quantity has."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, get_args

from harness.job.located import Key
from harness.job.mistakes import Source, shown_value
from harness.job.schema import RawCheck
from harness.job.sequence import Quantity
from harness.reading import Limit
from harness.units import Dimension, Sign, dbu_from_vrms, expected_words, parse_quantity, unit_of

LimitKind = Literal["within", "below", "above", "between"]
KINDS: tuple[LimitKind, ...] = get_args(LimitKind)


@dataclass(frozen=True, kw_only=True)
class LimitRule:
    """How a quantity is limited: the unit of its limits, and which kinds make sense."""

    dimension: Dimension
    unit: str
    kinds: tuple[LimitKind, ...]
    example: str


_DB = LimitRule(dimension="ratio_db", unit="dB", kinds=KINDS, example='within = "0.2 dB"')
_DEG = LimitRule(dimension="angle", unit="deg", kinds=KINDS, example='within = "5 deg"')
_SILENCE = LimitRule(dimension="ratio_db", unit="dB", kinds=("below",), example='below = "-80 dB"')
_OF_CHANGE: tuple[LimitKind, ...] = ("below", "above", "between")  # the circuit predicts nothing of it
_TIME = LimitRule(dimension="time", unit="s", kinds=_OF_CHANGE, example='below = "4 ms"')
_TRANSIENT: Mapping[str, LimitRule] = MappingProxyType(
    {
        "peak": LimitRule(dimension="voltage", unit="V", kinds=_OF_CHANGE, example='below = "10 mV"'),
        "energy": LimitRule(dimension="energy", unit="V²s", kinds=_OF_CHANGE, example='below = "10 nV2s"'),
        "duration": _TIME,
    }
)
LIMIT_RULES: Mapping[Quantity, LimitRule | None] = MappingProxyType(
    {
        "gain": _DB,
        "polarity": None,  # is as predicted or is not
        "phase": _DEG,
        "balance": _DB,
        "balance_phase": _DEG,
        "channel_match": _DB,
        "channel_phase": _DEG,
        "offset": LimitRule(
            dimension="voltage", unit="V", kinds=KINDS, example='between = ["-5 mV", "5 mV"]'
        ),
        "isolation": _SILENCE,
        "crosstalk": _SILENCE,
        "supply_current": LimitRule(dimension="current", unit="A", kinds=KINDS, example='within = "8 %"'),
        "response": _DB,
        "common_mode_rejection": LimitRule(
            dimension="ratio_db", unit="dB", kinds=("within", "above"), example='above = "60 dB"'
        ),
        "noise": LimitRule(dimension="level", unit="dBu", kinds=("below",), example='below = "-60 dBu"'),
        "distortion": LimitRule(dimension="fraction", unit="%", kinds=("below",), example='below = "0.3 %"'),
        "contact_resistance": LimitRule(
            dimension="resistance", unit="ohm", kinds=("below",), example='below = "2 ohm"'
        ),
        "capacitance": LimitRule(
            dimension="capacitance", unit="F", kinds=("below",), example='below = "10 pF"'
        ),
        "intermittency": LimitRule(
            dimension="fraction", unit="%", kinds=("below",), example='below = "30 %"'
        ),
        "transient": None,  # by what is measured of it: see _TRANSIENT
        "operate_time": _TIME,
        "release_time": _TIME,
        "bounce": _TIME,
        "gap": _TIME,
    }
)


def read_limit(source: Source, raw: RawCheck, quantity: Quantity, key: Key) -> Limit | None:
    """Read a check's one limit; notes a limit too many or too few, and a wrong unit."""
    rule = LIMIT_RULES[quantity] if quantity != "transient" else _TRANSIENT[raw.measure or "peak"]
    values = {"within": raw.within, "below": raw.below, "above": raw.above, "between": raw.between}
    given = [kind for kind in KINDS if values[kind] is not None]
    if rule is None:
        for kind in given:
            source.wrong((*key, kind), f"{quantity} must be as predicted and takes no limit")
        return None
    if len(given) != 1:
        found = f"found {' and '.join(given)}" if given else "no limit"
        source.wrong(key, f"{found}; expected one of {', '.join(rule.kinds)}, such as {rule.example}")
        return None
    kind = given[0]
    if kind not in rule.kinds:
        source.wrong(
            (*key, kind),
            f"{quantity} takes {', '.join(rule.kinds)} only; expected one such as {rule.example}",
        )
        return None
    return _limit(source, values[kind], kind, rule, quantity, (*key, kind))


def _limit(
    source: Source, value: object, kind: LimitKind, rule: LimitRule, quantity: Quantity, key: Key
) -> Limit | None:
    match kind:
        case "within":
            relative = quantity == "supply_current" and unit_of(value) == "%"
            dimension: Dimension = "fraction" if relative else rule.dimension
            high = _number(source, value, dimension, key, sign="positive")
            return None if high is None else Limit(kind=kind, unit=rule.unit, high=high, relative=relative)
        case "below":
            high = _number(source, value, rule.dimension, key)
            return None if high is None else Limit(kind=kind, unit=rule.unit, high=high)
        case "above":
            low = _number(source, value, rule.dimension, key)
            return None if low is None else Limit(kind=kind, unit=rule.unit, low=low)
        case "between":
            return _between(source, value, rule, key)


def _between(source: Source, value: object, rule: LimitRule, key: Key) -> Limit | None:
    if not isinstance(value, list) or len(value) != 2:
        source.wrong(key, f"found {shown_value(value)}; expected a list of two: low, high")
        return None
    low, high = (_number(source, end, rule.dimension, (*key, index)) for index, end in enumerate(value))
    if low is None or high is None:
        return None
    if not low < high:
        source.wrong(key, f'found ["{value[0]}", "{value[1]}"]; expected the low end first')
        return None
    return Limit(kind="between", unit=rule.unit, low=low, high=high)


def _number(
    source: Source, value: object, dimension: Dimension, key: Key, sign: Sign | None = None
) -> float | None:
    if isinstance(value, list | dict):
        source.wrong(key, f"found {shown_value(value)}; expected {expected_words(dimension)}")
        return None
    try:
        number = parse_quantity(value, dimension, sign=sign)
        return dbu_from_vrms(number) if dimension == "level" else number
    except ValueError as error:
        source.wrong(key, str(error))
        return None
