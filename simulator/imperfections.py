"""What no bench and no unit is free of, each kind by a name and a size, so that any can be left out.

Where a value is drawn from is beside what draws it; here is how many times larger than usual it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from harness.errors import UsageError

LARGEST = 10.0
ALL = "all"


@dataclass(frozen=True, kw_only=True)
class Imperfections:
    """Size of each kind, times the usual: 1 is a usual bench's, 0 is none.

    cables: capacitance to ground of the cable at each port. nets: of each net to ground. neighbours: between
    neighbouring nets of a channel and between a net's legs. channels: between channels. pickup: of the mains,
    by each net. hum: on every lead of the scope. source_resistance, generator_level, generator_dc, harmonics:
    of the generator's outputs. clock: of the generator against the scope. input_gain, input_zero,
    input_noise, input_cubic: of the scope's inputs and ranges. input_jitter: of each input's gain from record
    to record. sync: delay and jitter of the generator's sync. late_board: how often a serial relay board is
    late. clicks: what a coil's field induces beside its contacts. amplifier_offset, amplifier_distortion,
    amplifier_noise, amplifier_hum: of each amplifier of the unit. contact_times: differences between the
    poles of a relay.
    """

    cables: float = 1.0
    nets: float = 1.0
    neighbours: float = 1.0
    channels: float = 1.0
    pickup: float = 1.0
    hum: float = 1.0
    source_resistance: float = 1.0
    generator_level: float = 1.0
    generator_dc: float = 1.0
    harmonics: float = 1.0
    clock: float = 1.0
    input_gain: float = 1.0
    input_zero: float = 1.0
    input_noise: float = 1.0
    input_cubic: float = 1.0
    input_jitter: float = 1.0
    sync: float = 1.0
    late_board: float = 1.0
    clicks: float = 1.0
    contact_times: float = 1.0
    amplifier_offset: float = 1.0
    amplifier_distortion: float = 1.0
    amplifier_noise: float = 1.0
    amplifier_hum: float = 1.0


USUAL = Imperfections()
KINDS = tuple(field.name for field in fields(Imperfections))


def parse_imperfections(texts: Sequence[str]) -> Imperfections:
    """Read `cables=0`, `hum=2.5`, `all=0`; the later wins. Raises UsageError for no such kind or size."""
    result = USUAL
    for text in texts:
        name, _, size_text = text.partition("=")
        if name not in (*KINDS, ALL):
            raise UsageError(
                f"--imperfection {text!r}: no such kind; expected one of {', '.join((*KINDS, ALL))}, "
                "then = and a size"
            )
        try:
            size = float(size_text)
        except ValueError:
            size = -1.0
        if not 0.0 <= size <= LARGEST:
            raise UsageError(
                f"--imperfection {text!r}: expected {name}=SIZE, from 0 (none) over 1 (usual) to {LARGEST:g}"
            )
        result = replace(result, **dict.fromkeys(KINDS if name == ALL else (name,), size))
    return result
