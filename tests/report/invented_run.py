"""An invented run for the report: states and ports of a line switcher, numbers of every verdict."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from harness.job.state import all_states
from harness.reading import Contribution, Reading, Verdict
from harness.records.run import Outcome, RunHeader, RunRecord
from harness.roles import Capture
from tests.records.outside_broadcast import ENDED, HEADER, READING, STARTED, capture, changed

LINES = ("loop_a", "loop_b", "swap")
CHANNELS = ("left", "right")
PORTS = ("out", "a_send", "b_send")
FAULTY = "loop_a+loop_b"


def run_record(
    readings: Sequence[Reading],
    *,
    outcome: Outcome | Literal["interrupted"] = "fail",
    header: RunHeader = HEADER,
    reason: str = "",
) -> RunRecord:
    verdicts: dict[Verdict, int] = {}
    for reading in readings:
        verdicts[reading.verdict] = verdicts.get(reading.verdict, 0) + 1
    return RunRecord(
        run_id=41,
        header=replace(header, planned_readings=max(header.planned_readings, len(readings))),
        outcome=outcome,
        reason=reason,
        ended=None if outcome == "interrupted" else ENDED,
        verdicts=verdicts,
        acquisitions=32,
    )


def walk(*, controls: Sequence[str] = LINES, ports: Sequence[str] = PORTS, seed: int = 7) -> list[Reading]:
    """All states on both channels: gain, polarity, isolation, crosstalk, offset and current, all passing."""
    rng = np.random.default_rng(seed)
    readings = []
    for number, state in enumerate(all_states(controls), start=1):
        for channel in CHANNELS:
            about: dict[str, Any] = {"state": state.name, "channel": channel, "acquisitions": (number,)}
            for port in ports:
                readings += _port(rng, about, port, silent=port == "a_send" and "loop_a" not in state.on)
            readings.append(_crosstalk(rng, about))
            readings.append(_offset(rng, about))
        readings.append(_current(state.name, len(state.on)))
    return readings


def faulty_walk(**options: Any) -> list[Reading]:
    """A relay leg that stays open in one state, an unproven gain, a reading that could not be taken."""
    readings = walk(**options)
    for index, reading in enumerate(readings):
        one = reading.key.measurand
        here = one.state == FAULTY and one.channel == "right"
        if here and one.port == "out" and one.quantity == "gain":
            readings[index] = _judged(reading, -6.11, "fail", "")
        elif here and one.quantity == "polarity" and one.port == "out":
            readings[index] = changed(reading, value=-1.0, verdict="fail")
        elif here and one.quantity == "crosstalk":
            reason = "input 3 clipped on the least sensitive range"
            readings[index] = changed(
                reading,
                value=None,
                verdict="missing",
                reason=reason,
            )
        elif (one.state, one.where, one.quantity) == ("loop_a", "left.b_send", "gain"):
            high = reading.limit_high or 0.0
            reason = "the limit is inside the uncertainty interval"
            readings[index] = _judged(reading, high - 0.003, "unproven", reason)
    return readings


def waveforms() -> dict[int, Capture]:
    """Those of the two acquisitions that saw something wrong."""
    states = [state.name for state in all_states(LINES)]
    return {
        states.index(FAULTY) + 1: capture(seed=5, samples=20_000, dead=(2,)),
        states.index("loop_a") + 1: capture(seed=6, samples=20_000),
    }


def _judged(reading: Reading, value: float, verdict: Verdict, reason: str) -> Reading:
    assert reading.estimate is not None
    half = 2 * (reading.estimate.standard or 0.0)
    return changed(reading, value=value, low=value - half, high=value + half, verdict=verdict, reason=reason)


def _port(rng: np.random.Generator, about: dict[str, Any], port: str, *, silent: bool) -> list[Reading]:
    route = f"{about['channel']}.in > K1 > {about['channel']}.{port}"
    if silent:
        below = -96.0 - 4 * rng.random()
        isolation = changed(
            READING,
            **about,
            port=port,
            check="Idle send is silent",
            quantity="isolation",
            value=below,
            standard=None,
            low=-math.inf,
            high=below,
            floor=True,
            expected=-131.0,
            expected_standard=3.0,
            limit_low=None,
            limit_high=-80.0,
            route="",
        )
        return [isolation]
    expected = -0.086 - (3.52 if "loop_a" in about["state"] else 0.0)
    gain = changed(
        READING,
        **about,
        port=port,
        expected=expected,
        limit_low=expected - 0.2,
        limit_high=expected + 0.2,
        route=route,
    )
    polarity = changed(
        gain,
        check="Polarity",
        quantity="polarity",
        unit="",
        value=1.0,
        standard=None,
        low=1.0,
        high=1.0,
        expected=1.0,
        expected_standard=None,
        limit_low=None,
        limit_high=None,
        budget=(),
    )
    return [_judged(gain, expected + 0.04 * rng.normal() / 3, "pass", ""), polarity]


def _crosstalk(rng: np.random.Generator, about: dict[str, Any]) -> Reading:
    value = -93.0 + 2 * rng.normal()
    spread = 20 * math.log10(1.25)
    return changed(
        READING,
        **about,
        port="out",
        check="Crosstalk",
        quantity="crosstalk",
        frequency_hz=10_000.0,
        value=value,
        standard=spread / 2,
        low=value - 1.6 * spread,
        high=value + spread,
        expected=-101.0,
        expected_standard=2.0,
        limit_low=None,
        limit_high=-80.0,
        route="",
    )


def _offset(rng: np.random.Generator, about: dict[str, Any]) -> Reading:
    value = 0.0008 * rng.normal()
    return changed(
        READING,
        **about,
        port="out.hot",
        check="Offset",
        quantity="dc_offset",
        frequency_hz=None,
        unit="V",
        value=value,
        standard=0.0004,
        low=value - 0.0008,
        high=value + 0.0008,
        expected=0.0,
        expected_standard=0.0,
        limit_low=-0.01,
        limit_high=0.01,
        route="",
    )


def _current(state: str, controls_viewed: int) -> Reading:
    expected = 0.006 + 0.0234 * controls_viewed
    return changed(
        READING,
        state=state,
        channel="",
        port="",
        check="Coil current",
        quantity="supply_current",
        frequency_hz=None,
        unit="A",
        value=expected * 1.004,
        standard=0.0004,
        low=expected * 1.004 - 0.0008,
        high=expected * 1.004 + 0.0008,
        expected=expected,
        expected_standard=0.001,
        limit_low=expected * 0.9,
        limit_high=expected * 1.1,
        budget=(Contribution(name="supply's read-back", standard=0.0004),),
        route="",
    )


SIMULATED = replace(
    HEADER, simulated=True, notes="simulated, seed 7: K6 contact 1 cold leg open", started=STARTED
)
