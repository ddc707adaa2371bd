"""Three records of each tone: what their spread says of the bench, and how unsure that leaves a reading."""

import json
import math
from typing import Any

import numpy as np
import pytest
from scipy.special import stdtrit
from scipy.stats import binom

from harness.measure.budget import Component, Sampled, effective_freedom, estimate, propagate, student_factor
from harness.measure.reference import RecordSpread, Reference, beta_tail, pooled
from harness.measure.through import drift
from harness.reading import Contribution
from tests.measure.draws.repeats import DRIVE_RANGE, FINER, Scattering, legs, read, tones
from tests.measure.draws.shares import RARE, limits, share

# JCGM 100:2008, table G.2 (the same as table B.1 of NIST Technical Note 1297): t_p for p of 68.27, 95.45 and
# 99.73 %, by degrees of freedom
TABLE = {
    1: (1.84, 13.97, 235.8), 2: (1.32, 4.53, 19.21), 3: (1.20, 3.31, 9.22), 4: (1.14, 2.87, 6.62),
    5: (1.11, 2.65, 5.51), 6: (1.09, 2.52, 4.90), 8: (1.07, 2.37, 4.28), 10: (1.05, 2.28, 3.96),
    12: (1.04, 2.23, 3.76), 18: (1.03, 2.15, 3.48), 20: (1.03, 2.13, 3.42), 30: (1.02, 2.09, 3.27),
    50: (1.01, 2.05, 3.16), 100: (1.005, 2.025, 3.077), math.inf: (1.000, 2.000, 3.000),
}  # fmt: skip

# Cochran's test at 5 %, series of three: by their number (ISO 5725-2, table 4)
COCHRAN = {2: 0.975, 3: 0.871, 4: 0.768, 5: 0.684, 6: 0.616, 8: 0.516, 10: 0.445, 15: 0.335, 20: 0.270}


@pytest.mark.parametrize("freedom", TABLE)
def test_the_factor_of_few_is_that_of_the_table(freedom: float) -> None:
    for k, printed in zip((1, 2, 3), TABLE[freedom], strict=True):
        rounded = 0.05 if printed > 100 else 0.0005 if freedom >= 100 else 0.005
        assert student_factor(k, freedom) == pytest.approx(printed, abs=rounded + 1e-9)


@pytest.mark.parametrize("freedom", [1.0, 1.3, 2.5, 7.7, 40.4, 900.0, 2e4])
def test_the_factor_lies_between_whole_degrees_of_freedom_too(freedom: float) -> None:
    for k in (0.5, 1.0, 2.0, 3.0, 4.0):
        whole = stdtrit(freedom, 0.5 + math.erf(k / math.sqrt(2)) / 2)
        assert student_factor(k, freedom) == pytest.approx(whole, rel=2e-6)


def test_effective_degrees_of_freedom_of_the_product_in_the_guide() -> None:
    """JCGM 100:2008, G.4.1, example: 0.25, 0.57, 0.82 % of 10, 5 and 15 readings: 1.03 %, 19.0, 2.2 %."""
    parts = [(0.25, 9), (0.57, 4), (0.82, 14)]
    standard = math.hypot(*(part for part, _ in parts))
    shares = [(Sampled(freedom=freedom, series=str(freedom)), part) for part, freedom in parts]
    assert standard == pytest.approx(1.03, abs=0.005)
    assert effective_freedom(standard, shares) == pytest.approx(19.0, abs=0.05)
    lines = [Contribution(name=str(freedom), standard=part) for part, freedom in parts]
    at_95 = estimate(0.0, lines, 1.959964, sampled=shares)
    assert at_95.high == pytest.approx(2.2, abs=0.05)
    assert at_95.standard == pytest.approx(standard)


def test_parts_of_one_series_are_unsure_together() -> None:
    """Two halves of one estimate are that estimate; of two estimates alike they have twice its freedom."""
    half = math.sqrt(0.5)
    one, other = (Sampled(freedom=6, series=series) for series in ("one", "other"))
    assert effective_freedom(1.0, [(one, half), (one, half)]) == pytest.approx(6)
    assert effective_freedom(1.0, [(one, half), (other, half)]) == pytest.approx(12)
    nothing = Sampled(freedom=0.01, series="one")
    assert effective_freedom(1.0, [(one, half), (nothing, 0.0)]) == pytest.approx(24)


def test_an_interval_widens_as_few_values_outweigh_the_rest() -> None:
    """Of two degrees of freedom: 4.53 where nothing else counts, hardly above 2 where it is a tenth."""
    few = Sampled(freedom=2, series="three values")
    for part, factor in ((1.0, 4.53), (0.1, 2.0)):
        shares = (part, math.sqrt(1 - part**2))
        components = [
            Component(name=str(index), source=str(index), delta=np.array([each]), sampled=sampled)
            for index, (each, sampled) in enumerate(zip(shares, (few, None), strict=True))
        ]
        result = propagate(lambda x: x[:, 0], np.array([0.0]), components)
        assert result.standard == pytest.approx(1.0)
        assert result.high == pytest.approx(factor, abs=0.005)


def test_ten_days_of_the_guide_pooled() -> None:
    """JCGM 100:2008, H.5: ten days of five readings each, pooled 85 µV with 40 degrees of freedom."""
    days_uv = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)
    result = pooled([RecordSpread(records=5, variance=(day**2,), noise=(0.0,)) for day in days_uv])
    assert result == (result[0],) * 10
    assert result[0].standard[0] == pytest.approx(85, abs=0.5)
    assert result[0].freedom[0] == pytest.approx(40)


@pytest.mark.parametrize("series", COCHRAN)
def test_the_border_of_an_odd_series_is_that_of_the_table(series: int) -> None:
    assert series * beta_tail(COCHRAN[series], 1, series - 1) == pytest.approx(0.05, rel=0.03)


def test_what_noise_explains_is_no_repeatability() -> None:
    """Twice the noise's variance leaves once that, known to a quarter of the degrees; less leaves nothing."""
    result = pooled([RecordSpread(records=3, variance=(2.0, 0.9), noise=(1.0, 1.0))] * 4)
    assert result[0].standard == pytest.approx((1.0, 0.0))
    assert result[0].freedom == pytest.approx((8 / 4, math.inf))


def test_one_record_has_the_repeatability_of_the_other_tones_or_none() -> None:
    one, three = (RecordSpread(records=records, variance=(1.0,), noise=(0.0,)) for records in (1, 3))
    assert pooled([one])[0].standard == (0.0,)
    assert pooled([one, three])[0].standard == (1.0,)


def test_tones_that_scatter_alike_are_seldom_taken_for_unlike() -> None:
    random = np.random.default_rng(1)
    apart = 0
    for _ in range(1000):
        variances = np.var(random.normal(size=(9, 3)), axis=1, ddof=1)
        result = pooled(
            [RecordSpread(records=3, variance=(each,), noise=(0.0,)) for each in variances.tolist()]
        )
        apart += len(set(result)) > 1
    assert apart <= binom.ppf(1 - RARE, 1000, 0.05)


@pytest.mark.parametrize(("count", "draws"), [(1, 200), (3, 150), (9, 120)])
def test_readings_hold_the_truth_where_repeatability_outweighs_all_else(count: int, draws: int) -> None:
    """Eight legs of a scope, each by its own input, which repeats to 1 %; noise is a hundredth of that.

    With k = 2 and each tone's own three records it were 81.65 %, of Student's distribution with two degrees
    of freedom.
    """
    result = [
        reading
        for seed in range(draws)
        for reading in legs(Scattering(seed, scatter=tones(count), shared=False, legs=8))
    ]
    low, high = limits(len(result))
    assert low <= share(result) <= high


@pytest.mark.parametrize("noise", [0.003, 0.01, 0.03])
@pytest.mark.parametrize("count", [1, 9])
def test_noise_beside_repeatability_leaves_the_intervals_right(noise: float, count: int) -> None:
    """Where both count, the variance beyond noise is itself a difference, and may come out as none.

    Of a single tone's two degrees of freedom the formula of Welch and Satterthwaite then covers 93 % at the
    worst, by 40 000 draws of normal and chi-squared errors; from four degrees on never less than 94.7 %.
    """
    least = 0.928 if count == 1 else 0.95
    result = [
        reading
        for seed in range(60)
        for reading in legs(Scattering(seed, scatter=tones(count), noise=noise, shared=False, legs=8))
    ]
    assert binom.ppf(RARE, len(result), least) / len(result) <= share(result) <= 0.985


@pytest.mark.parametrize("count", [1, 3])
def test_a_pair_and_two_records_of_it_hold_the_truth(count: int) -> None:
    """Gain, balance, a finer range, another record of the same inputs; both outputs' levels differ to 1 %.

    Two estimates alike have up to twice the freedom of one, and Welch's formula then gives a little too much.
    """
    result = [read(Scattering(seed, scatter=tones(count))) for seed in range(120)]
    for quantity in result[0]:
        readings = [reading for one in result for reading in one[quantity]]
        low, high = limits(len(readings))
        assert low <= share(readings) <= min(high + 0.01, 1.0), quantity


def test_a_tone_that_scatters_more_than_the_others_has_its_own_interval() -> None:
    """Ten times as much at one tone of six: with one spread for all only 0.6 would be inside there."""
    scatter = tones(5, 0.001) | {9000.0: 0.01}
    for tone in (0, 5):
        result = [
            reading
            for seed in range(80)
            for reading in legs(Scattering(seed, scatter=scatter, shared=False, legs=4), tone)
        ]
        assert limits(len(result))[0] <= share(result) <= 1.0


def test_drift_between_two_references_is_as_unsure_as_their_means() -> None:
    """Nothing drifts, and what is told lies within twice its uncertainty as often as it may."""
    result = []
    for seed in range(150):
        now, before = (
            Reference(
                taken_s=1000.0,
                instruments=("generator 7", "scope 9"),
                tones=tuple(Scattering(2 * seed + half, scatter=tones(3)).references().values()),
                offsets=(),
            )
            for half in (0, 1)
        )
        result += [abs(one.change_db) <= 2 * one.standard_db for one in drift(now, before)]
    assert 0.86 <= np.mean(result) <= 0.95  # the worse of two inputs is told: 0.9545² of two right intervals


def test_a_reference_of_an_earlier_version_is_read_with_the_spread_of_three() -> None:
    """It kept s sqrt(1 + 1/3), each tone its own."""
    scattering = Scattering(1, scatter=tones(3))
    made = Reference(
        taken_s=1000.0,
        instruments=("generator 7", "scope 9"),
        tones=tuple(scattering.references(DRIVE_RANGE, FINER).values()),
        offsets=(),
    )
    kept = json.loads(json.dumps(made.to_dict(), allow_nan=False))
    assert Reference.from_dict(kept) == made
    for tone in kept["tones"]:
        spread = tone.pop("spread")
        tone["repeatability"] = [math.sqrt(each * 4 / 3) for each in spread["variance"]]
        for entry in tone["ranges"]:
            del entry["rungs"]
    read_back = Reference.from_dict(kept)
    for old, new in zip(read_back.tones, made.tones, strict=True):
        assert old.repeatability.standard == pytest.approx(new.repeatability.standard, rel=1e-3)
        assert old.repeatability.freedom == pytest.approx(new.repeatability.freedom, rel=1e-3)
        assert {entry.rungs for entry in old.ranges} == {0}
    transfer = scattering.view(read_back.tones[0], np.diag([0.9, 0.9]), "one").transfer
    assert "repeatability" in {component.name for component in transfer.components}


def test_each_record_has_an_error_of_its_own_and_the_reference_one_for_all() -> None:
    """JCGM 100:2008, 4.2.3: of a mean of three s/√3, common to two readings, and s for each of them."""
    bench = Scattering(3, scatter=tones(9))
    reference = next(iter(bench.references().values()))
    one = reference.repeatability.standard[0]
    result: dict[str, Any] = {}
    for name in ("one", "other"):
        transfer = bench.view(reference, np.diag([0.9, 0.9]), name).transfer
        for component in transfer.components:
            if component.name == "repeatability" and component.source.endswith(" 1"):
                value = abs(component.delta[0, 0] / transfer.values[0, 0])
                result.setdefault(component.source, []).append(float(value))
    assert {source: len(values) for source, values in result.items()} == {
        "through at 1000 Hz repeat 1": 2,
        "one repeat 1": 1,
        "other repeat 1": 1,
    }
    assert result["one repeat 1"] == pytest.approx([one])
    assert result["through at 1000 Hz repeat 1"] == pytest.approx([one / math.sqrt(3)] * 2)
