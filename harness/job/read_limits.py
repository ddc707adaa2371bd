"""The limit of a check, in the unit that its quantity has."""

from harness.job.sequence_file import CheckEntry
from harness.quantities.limits import KINDS, LimitKind, LimitRule
from harness.quantities.quantity import Quantity
from harness.reading import Limit
from harness.toml_files.located import Key
from harness.toml_files.messages import shown_value
from harness.toml_files.source import Source
from harness.units import Dimension, Sign, dbu_from_vrms, expected_words, parse_quantity, unit_of


def read_limit(source: Source, raw: CheckEntry, quantity: Quantity, key: Key) -> Limit | None:
    """Read a check's one limit; notes a limit too many or too few, and a wrong unit."""
    rule = quantity.limits
    values = {"within": raw.within, "below": raw.below, "above": raw.above, "between": raw.between}
    given = [kind for kind in KINDS if values[kind] is not None]
    if rule is None:
        for kind in given:
            source.wrong((*key, kind), f"{quantity.name} must be as predicted and takes no limit")
        return None
    if len(given) != 1:
        found = f"found {' and '.join(given)}" if given else "no limit"
        source.wrong(key, f"{found}; expected one of {', '.join(rule.kinds)}, such as {rule.example}")
        return None
    kind = given[0]
    if kind not in rule.kinds:
        source.wrong(
            (*key, kind),
            f"{quantity.name} takes {', '.join(rule.kinds)} only; expected one such as {rule.example}",
        )
        return None
    return _limit(source, values[kind], kind, rule, (*key, kind))


def _limit(source: Source, value: object, kind: LimitKind, rule: LimitRule, key: Key) -> Limit | None:
    match kind:
        case "within":
            relative = rule.relative and unit_of(value) == "%"
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
