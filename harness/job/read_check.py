"""What belongs to some quantities only: frequencies, weighting, source, states of a check."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from harness.job.schema import RawCheck
from harness.job.sequence import Quantity, Tone
from harness.job.state import State
from harness.toml_files.located import Key
from harness.toml_files.source import Source

DRY_LEVEL_VRMS = 0.05  # differential: 35 mV peak on each leg, which breaks no film on a contact
DRY: tuple[Quantity, ...] = ("contact_resistance", "intermittency")
TONELESS: tuple[Quantity, ...] = ("offset", "supply_current", "noise")
SWEPT: tuple[Quantity, ...] = ("response", "capacitance")
FEWEST_SLOPE = 3  # frequencies that a slope needs
OWN_KEYS: Mapping[str, tuple[Quantity, ...]] = MappingProxyType(
    {
        "frequencies": SWEPT,
        "weighting": ("noise",),
        "include": ("distortion",),
        "source": ("common_mode_rejection",),
        "coupling": ("capacitance",),
        "operations": ("intermittency",),
        "silent_below": ("gain",),
    }
)
RESPONSE_HZ = (
    20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip
CAPACITANCE_HZ = (20e3, 50e3, 100e3)
OPERATIONS = 10


def read_own(
    source: Source, raw: RawCheck, quantity: Quantity, key: Key, states: Mapping[str, State] | None
) -> dict[str, Any]:
    """Read a check's own keys as the fields of a Check; notes those that belong to another quantity.

    states: the sequence's, by name as written there; None where they could not be read.
    """
    for name, quantities in OWN_KEYS.items():
        if getattr(raw, name) is not None and quantity not in quantities:
            belongs = " or ".join(quantities)
            words = "whose silent ports it judges" if name == "silent_below" else "and to no other quantity"
            source.wrong((*key, name), f"belongs to a {belongs} check, {words}")
    for name in ("frequency", "level"):
        if getattr(raw, name) is None:
            continue
        if quantity in TONELESS:
            source.wrong((*key, name), f"{quantity} uses no tone; expected neither frequency nor level")
        elif quantity in SWEPT and name == "frequency":
            source.wrong((*key, name), f"{quantity} takes several; expected frequencies")
    _check_dry(source, raw, quantity, key)
    return {
        "states": _states(source, raw, key, states),
        "frequencies_hz": _frequencies(source, raw, quantity, key),
        "weighting": raw.weighting or "none",
        "include": raw.include or "harmonics",
        "source": raw.source or "equal",
        "coupling": raw.coupling or "isolation",
        "operations": (raw.operations or OPERATIONS) if quantity == "intermittency" else 0,
    }


def tone_of(raw: RawCheck, quantity: Quantity, tone: Tone) -> Tone:
    """The tone of a check: its own, else the sequence's; contacts are looked at with next to nothing."""
    level_vrms = DRY_LEVEL_VRMS if quantity in DRY else tone.level_vrms
    if quantity == "transient":
        level_vrms = 0.0  # a click is looked for beside nothing, its input ended by the idle source
    return Tone(
        frequency_hz=tone.frequency_hz if raw.frequency is None else raw.frequency,
        level_vrms=level_vrms if raw.level is None else raw.level,
    )


def _check_dry(source: Source, raw: RawCheck, quantity: Quantity, key: Key) -> None:
    if quantity in DRY and raw.level is not None and raw.level > DRY_LEVEL_VRMS * (1 + 1e-9):
        source.wrong(
            (*key, "level"),
            f"found {raw.level:g} V; expected at most {1e3 * DRY_LEVEL_VRMS:g} mV, as more would mend the "
            "contact that is looked for",
        )


def _states(
    source: Source, raw: RawCheck, key: Key, states: Mapping[str, State] | None
) -> tuple[State, ...] | None:
    """A check's states, each of them one of the sequence's."""
    if raw.states is None or states is None:
        return None
    if not raw.states:
        source.wrong((*key, "states"), 'found none; expected states such as ["rest"]')
    found: list[State] = []
    for index, text in enumerate(raw.states):
        state = _state(text, states)
        place: Key = (*key, "states", index)
        if state is None:
            some = ", ".join(list(states)[:8]) + (", ..." if len(states) > 8 else "")
            source.wrong(place, f'found "{text}"; expected one of the sequence\'s states: {some}')
        elif state in found:
            source.wrong(place, f"{text} stands here twice; expected once")
        else:
            found.append(state)
    return tuple(found)


def _state(text: str, states: Mapping[str, State]) -> State | None:
    """A state as people write it, its lines in any order."""
    lines = sorted(part.strip() for part in text.split("+"))
    return next((state for name, state in states.items() if sorted(name.split("+")) == lines), None)


def _frequencies(source: Source, raw: RawCheck, quantity: Quantity, key: Key) -> tuple[float, ...]:
    if quantity not in SWEPT:
        return ()
    if raw.frequencies is None:
        return RESPONSE_HZ if quantity == "response" else CAPACITANCE_HZ
    fewest = FEWEST_SLOPE if quantity == "capacitance" else 1
    if len(raw.frequencies) < fewest:
        source.wrong((*key, "frequencies"), f"found {len(raw.frequencies)}; expected at least {fewest}")
    for index, hz in enumerate(raw.frequencies):
        if hz in raw.frequencies[:index]:
            source.wrong((*key, "frequencies", index), f"{hz:g} Hz stands here twice; expected once")
    return tuple(sorted(raw.frequencies))
