"""What every report says besides its numbers: cautions, and what it does not claim."""

from collections.abc import Iterable

from harness.job.sequence import Quantity
from harness.records.run import RunHeader

TERMINAL_CAUTIONS = """\
Before you start:
 - Generator and scope commons are earth: clip to pin 1 only, never to a leg,
   and leave the instruments earthed.
 - No phantom power on the unit; no power amplifier, loudspeaker or headphones.
 - A coil without its diode kicks to a thousand volts at release: keep off the
   terminals while relays move. Supply off before you plug or unplug anything.
 - Extra-low voltage only: mains-powered units with covers off are not for this
   bench.
 - Handle bare boards at an ESD-safe place.
 - Local codes and licensed practice come first."""
"""What a person is shown before anything is driven: the same in short."""

CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "The law and the licensed come first",
        "Local electrical and workplace rules, and people qualified for the work, take precedence over "
        "anything written here. This is a procedure for low-voltage signal modules on a bench.",
    ),
    (
        "Scope and generator grounds are earth",
        "The ground clip of a probe joins the protective earth. Clip it to pin 1 only; look at a balanced "
        "pair with two probes and take the difference. Never lift the earth of an instrument.",
    ),
    (
        "Phantom power",
        "Keep this bench away from consoles and preamplifiers that feed 48 V. Coupling capacitors stay "
        "charged after it is switched off, and can damage a generator or a scope input.",
    ),
    (
        "Relay coils and their supply",
        "A coil without its diode can kick to more than a thousand volts at release. Keep the current "
        "limit set, energise new boards one line at a time, and switch the supply off before anything is "
        "plugged or unplugged.",
    ),
    (
        "Ears and loudspeakers",
        "No headphones, monitors or power amplifiers on a unit under test: line level and relay clicks "
        "drive them to full power.",
    ),
    (
        "Mains with the covers off",
        "Not part of this procedure. It needs a competent person, a place made for it, and isolation.",
    ),
    (
        "Static",
        "Handle boards with logic or amplifiers on an earthed mat with a wrist strap; take the strap off "
        "before working near mains.",
    ),
)

QUANTITIES_IN_WORDS: dict[Quantity, str] = {
    "gain": "gain",
    "polarity": "polarity",
    "phase": "phase",
    "balance": "balance of the legs",
    "balance_phase": "phase between the legs",
    "channel_match": "match of the channels",
    "channel_phase": "phase between the channels",
    "offset": "direct voltage",
    "isolation": "isolation",
    "crosstalk": "crosstalk",
    "supply_current": "supply current",
    "response": "response over frequency",
    "common_mode_rejection": "common-mode rejection",
    "noise": "noise",
    "distortion": "distortion",
    "contact_resistance": "contact resistance",
    "capacitance": "stray capacitance",
    "intermittency": "intermittent contacts",
    "transient": "clicks at a change of state",
    "operate_time": "operate time",
    "release_time": "release time",
    "bounce": "bounce",
    "gap": "break before make",
}

DECISIONS = {
    "guarded": (
        "A reading passes when its whole interval, uncertainty included, is inside the limit; fails when "
        "the whole interval is outside; and is unproven in between."
    ),
    "simple": "A reading passes when its value is inside the limit; its uncertainty is shown, not counted.",
}


def not_claimed(header: RunHeader, quantities: Iterable[str]) -> list[str]:
    """Say what a reader must not take from the report of a run that took these quantities."""
    taken = set(quantities)
    left_out = [words for name, words in QUANTITIES_IN_WORDS.items() if name not in taken]
    notes = []
    if header.simulated:
        notes.append("This run was simulated: it tells about the test and proves nothing about any board.")
    notes.append(
        "It speaks for the states, ports, tones and levels listed, at the time and temperature of the run."
    )
    if left_out:
        notes.append(f"Not looked at in this run: {', '.join(left_out)}.")
    notes += [
        "Contact life is not covered; neither are electrical safety and electromagnetic compatibility.",
        "Uncertainties rest on the data-sheet figures in the bench file. Whether an instrument's "
        "calibration is in date is for the owner to know.",
        "“Below” is where the bench's own floor lies, not a measured level.",
    ]
    return notes
