"""A reading in a line of plain text."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.reading import Reading

MARKS = {"pass": "ok", "fail": "FAIL", "unproven": "UNPROVEN", "missing": "MISSING"}
SWEPT = "response"  # of several frequencies in one check, each a reading of its own


def reading_line(reading: "Reading") -> str:
    """`FAIL gain left.out in loop_a (Dry contacts): -0.44 ± 0.01 dB, limit -4.79 to -4.39 dB`."""
    return f"{MARKS[reading.verdict]} {place_words(reading)}: {value_words(reading)}"


def place_words(reading: "Reading") -> str:
    """`gain left.out in loop_a (Dry contacts)`; a check that is named as its quantity is not named twice."""
    from harness.report.words import describe

    check, measurand = reading.key.check, reading.key.measurand
    quantity = measurand.quantity.replace("_", " ")
    words = [quantity, measurand.where, f"in {measurand.state}"]
    if measurand.quantity == SWEPT:
        words.append(f"at {describe(reading).tone}")
    if check.casefold().replace("-", " ").replace("_", " ") != quantity:
        words.append(f"({check})")
    return " ".join(filter(None, words))


def value_words(reading: "Reading") -> str:
    """`-0.44 ± 0.01 dB, limit -4.79 to -4.39 dB`, and why it is missing or in doubt."""
    from harness.report.words import describe

    words = describe(reading)
    limit = f", limit {words.limit}" if words.limit else ""
    expected = f", expected {words.expected}" if reading.unit == "" and words.expected else ""
    reason = f" ({reading.reason})" if reading.reason else ""
    return f"{words.value}{expected or limit}{reason}"
