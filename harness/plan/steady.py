"""Readings of the steady quantities that need more than one tone, another source, or none at all."""

from dataclasses import replace
from typing import Literal

from harness.circuit.predict import differential
from harness.job.fixture import Hookup, PortName
from harness.job.state import State
from harness.measure.response import REFERENCE_HZ
from harness.plan.draft import Draft
from harness.plan.hookups import Need, is_across, is_unequal, partner_of
from harness.plan.known import coupled_into, path_between
from harness.plan.model import IDLE, PlannedReading, Stimulus

LEAST_COUPLING = 1e-6  # of the drive: what a record of a known tone resolves on the most sensitive range

QUANTITIES = frozenset(
    {"response", "common_mode_rejection", "noise", "distortion", "contact_resistance", "capacitance"}
)


def readings(draft: Draft, need: Need, hookup: Hookup, state: State, *, live: bool) -> list[PlannedReading]:
    """The readings of one need in one state; none where the quantity has no meaning there."""
    match need.check.quantity.name:
        case "response" if live:
            return _response(draft, need, hookup, state)
        case "common_mode_rejection" if live:
            return [_planned(draft, need, state, _rejection(draft, need, hookup, state), hookup)]
        case "noise":
            return [_planned(draft, need, state, (draft.acquire(hookup, state, IDLE),), hookup)]
        case "distortion" if live:
            number = draft.acquire(hookup, state, _tone(need, "antiphase"))
            return [_planned(draft, need, state, (number,), hookup)]
        case "contact_resistance" if live:
            source, load = path_between(draft.job, need.check, hookup, state, need.port, draft.impedances)
            number = draft.acquire(hookup, state, _tone(need))
            planned = _planned(draft, need, state, (number,), hookup)
            return [replace(planned, source=source, load=load)]
        case "capacitance" if live == is_across(need.check) and _couples(draft, need, hookup, state):
            numbers = tuple(
                draft.acquire(hookup, state, _at(need, hz)) for hz in need.check.options.several_hz
            )
            port = PortName(channel=need.channel, net=need.port)
            load = coupled_into(draft.job, hookup, state, port, draft.impedances)
            return [replace(_planned(draft, need, state, numbers, hookup), load=load)]
        case _:
            return []


def _couples(draft: Draft, need: Need, hookup: Hookup, state: State) -> bool:
    """Whether one open contact couples: through two in a row nothing comes that a bench could see."""
    place = hookup.view.index(PortName(channel=need.channel, net=need.port))
    levels = [
        abs(complex(differential(draft.predict(hookup, state, hz).transfer)[place]))
        for hz in need.check.options.several_hz
    ]
    return is_across(need.check) or min(levels) > LEAST_COUPLING


def _tone(need: Need, kind: Literal["pair", "antiphase"] = "pair") -> Stimulus:
    tone = need.check.tone
    return Stimulus(kind=kind, frequency_hz=tone.frequency_hz, level_vrms=tone.level_vrms)


def _at(need: Need, frequency_hz: float) -> Stimulus:
    return Stimulus(kind="pair", frequency_hz=frequency_hz, level_vrms=need.check.tone.level_vrms)


def _response(draft: Draft, need: Need, hookup: Hookup, state: State) -> list[PlannedReading]:
    """Each frequency's acquisition and that of 1 kHz, which all of them share."""
    reference = draft.acquire(hookup, state, _at(need, REFERENCE_HZ))
    return [
        _planned(
            draft, need, state, (draft.acquire(hookup, state, _at(need, hz)), reference), hookup, own_hz=hz
        )
        for hz in need.check.options.several_hz
        if hz != REFERENCE_HZ
    ]


def _rejection(draft: Draft, need: Need, hookup: Hookup, state: State) -> tuple[int, ...]:
    """One acquisition for each source, and one more of each with the scope's inputs exchanged."""
    sources = [hookup]
    if is_unequal(need.check):
        sources += [
            next(other for other in need.candidates if _leg(other) == leg)
            for leg in ("hot", "cold")
            if leg != _leg(hookup) and any(_leg(other) == leg for other in need.candidates)
        ]
    numbers: list[int] = []
    for source in sources:
        numbers.append(draft.acquire(source, state, _tone(need)))
        partner = partner_of(source, draft.job.fixture)
        if partner is not None:
            numbers.append(draft.acquire(partner, state, _tone(need)))
    return tuple(numbers)


def _leg(hookup: Hookup) -> str:
    return "" if hookup.source_added is None else hookup.source_added.leg


def _planned(
    draft: Draft,
    need: Need,
    state: State,
    acquisitions: tuple[int, ...],
    hookup: Hookup,
    own_hz: float | None = None,
) -> PlannedReading:
    source = PortName(channel=need.drive.channel if is_across(need.check) else need.channel, net=need.port)
    return PlannedReading(
        check=need.check,
        quantity=need.check.quantity.name,
        limit=need.check.limit,
        state=state,
        driven=need.drive.channel,
        channel=need.channel,
        port=need.port,
        acquisitions=acquisitions,
        route=draft.route(hookup, state, source),
        own_hz=own_hz,
    )
