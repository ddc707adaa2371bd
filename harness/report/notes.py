"""What every report says besides its numbers: cautions, and what it does not claim."""

from collections.abc import Iterable

from harness.quantities.registry import QUANTITIES
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
        "Local codes and licensed practice come first",
        "Electrical and workplace rules, and people qualified for the work, take precedence over anything "
        "written here. This is a procedure for low-voltage signal modules on a bench.",
    ),
    (
        "Scope and generator grounds are earth",
        "The ground clip of a probe is connected to protective earth. Clip it to pin 1 only, never to a "
        "leg; look at a balanced pair with two probes and take the difference. Never lift the earth of an "
        "instrument.",
    ),
    (
        "Phantom power",
        "Keep this bench away from consoles and preamplifiers that feed 48 V. Coupling capacitors stay "
        "charged after it is switched off, and can damage a generator or a scope input.",
    ),
    (
        "Relay coils and their supply",
        "A coil without its diode can produce more than a thousand volts when it is switched off: put a "
        "clamp across every control line in the fixture. Keep the current limit set, energise new boards "
        "one line at a time, and switch the supply off before anything is plugged, unplugged or soldered.",
    ),
    (
        "Ears and loudspeakers",
        "No headphones, monitors or power amplifiers on a unit under test: line level and relay clicks "
        "drive them to full power.",
    ),
    (
        "Mains with the covers off",
        "Not part of this procedure. That needs a qualified person, a suitable place, and isolation.",
    ),
    (
        "Static",
        "Handle boards with logic or amplifiers on an earthed mat with a wrist strap; take the strap off "
        "before working near mains.",
    ),
)

QUANTITIES_IN_WORDS = {name: quantity.words for name, quantity in QUANTITIES.items()}

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
        notes.append("This run was simulated: it says something about the test and nothing about any board.")
    notes.append(
        "It is valid for the states, ports, tones and levels listed, at the time and temperature of the run."
    )
    if left_out:
        notes.append(f"Not measured in this run: {', '.join(left_out)}.")
    notes += [
        "Contact life is not covered; neither are electrical safety and electromagnetic compatibility.",
        "Uncertainties are based on the data-sheet figures in the bench file. The owner has to know whether "
        "an instrument's calibration is valid.",
        "“Below” gives the bench's floor, not a measured level.",
    ]
    return notes
