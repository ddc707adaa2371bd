"""Scopes with awkward habits, by profiles from the documentation: their volts, and what wrong keys do."""

import numpy as np
import pytest

from harness.errors import BenchError
from tests.drivers.zoo.rig import opened, wanted, worst_error_v
from tests.drivers.zoo.scope import Scope
from tests.drivers.zoo.strange_scopes import DECIMAL_COMMAS, NEXT_PIECES, DecimalCommas, NextPieces


@pytest.mark.parametrize(
    ("make", "text", "inputs", "bits"),
    [(NextPieces, NEXT_PIECES, (1, 3), 16), (DecimalCommas, DECIMAL_COMMAS, (1, 2), 12)],
)
@pytest.mark.parametrize("offset_v", [0.0, -0.4])
def test_a_known_sine_comes_back_in_volts(
    make: type[Scope], text: str, inputs: tuple[int, ...], bits: int, offset_v: float
) -> None:
    scope = make()
    with opened(scope, text) as driver:
        capture = driver.capture(wanted(*inputs, offset_v=offset_v))
    assert scope.unknown == []
    assert worst_error_v(capture, scope) <= 0.51 * 0.5 / scope.codes_per_division * 2.0 ** (8 - bits) + 1e-6


def test_a_record_is_as_long_as_the_timebase_has_it() -> None:
    with opened(DecimalCommas(), DECIMAL_COMMAS) as driver:
        lengths = [driver.capture(wanted(1, duration_s=s, samples=500)).volts.shape[1] for s in (5e-3, 0.1)]
    assert lengths == [1000, 4000]


WRONG_STRANGERS: list[tuple[type[Scope], str, tuple[str, str], str]] = [
    (NextPieces, NEXT_PIECES, ('"label POL" = "NEG"', '"label POL" = "POS"'), "expects"),
    (NextPieces, NEXT_PIECES, ("points_per_read = 3000", "points_per_read = 10000"), "points_per_read"),
    (NextPieces, NEXT_PIECES, ('points = "label N"', "points = 3000"), "scaling.points"),
    (DecimalCommas, DECIMAL_COMMAS, ("decimal_comma = true", "decimal_comma = false"), "decimal_comma"),
    (DecimalCommas, DECIMAL_COMMAS, ("text_in_block = true", "text_in_block = false"), "text_in_block"),
    (DecimalCommas, DECIMAL_COMMAS, ('"inputs_interleaved"', '"one_input"'), "answer_holds"),
]


@pytest.mark.parametrize(("make", "text", "wrong", "key"), WRONG_STRANGERS)
def test_a_key_that_contradicts_the_scope_is_named(
    make: type[Scope], text: str, wrong: tuple[str, str], key: str
) -> None:
    assert wrong[0] in text
    with (
        pytest.raises(BenchError) as caught,
        opened(make(), text.replace(*wrong)) as driver,
    ):
        driver.capture(wanted(1, 2, samples=900))
    assert key in str(caught.value)


def test_the_same_piece_twice_is_seen() -> None:
    """A scope that sends the beginning again and again, where the profile has no command for the part."""

    class Stuck(NextPieces):
        def piece_of(self) -> bytes:
            self.next = 0
            return super().piece_of()

    with (
        pytest.raises(BenchError, match="same 3000 samples of input 1 for two pieces") as caught,
        opened(Stuck(), NEXT_PIECES) as driver,
    ):
        driver.capture(wanted(1))
    assert "commands.window_start" in str(caught.value)


def test_a_scale_below_zero_turns_the_trace() -> None:
    class Negative(NextPieces):
        def head(self) -> str:
            return super().head().replace(";V=", ";V=-")

    text = NEXT_PIECES.replace("(reference - raw) * scale", "(raw - reference) * scale")
    scope = Negative()
    with opened(scope, text) as driver:
        capture = driver.capture(wanted(1))
    assert worst_error_v(capture, scope) < 1e-3
    assert np.all(np.array(capture.step_v) > 0.0)
