"""Which two frequencies to send, and for how long to look; and what the generator does meanwhile.

Hot and cold carry neighbouring tones so that one acquisition tells them apart. Both fit the record in whole
cycles, and so do 50 Hz and 60 Hz, so that neither the other leg nor the mains leaks into a reading.
"""

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Literal

from harness.errors import UsageError

MAINS_HZ = (50, 60)
TICKS = 300  # a second: a period of either mains is a whole number of them
TENTH = TICKS // 10  # the shortest record of whole periods of both mains
ONE_PERIOD = {50: 6, 60: 5}  # ticks: 20 and 16.7 ms; every whole number of cycles is a harmonic there
LAST_COUNTED = 40  # harmonic of the mains that standards of disturbances limit: IEC 61000-3-2, from memory
BEGUN = {50: 12, 60: 15}  # ticks: two periods of 50 Hz, three of 60 Hz; 40 and 50 ms
DURATIONS = tuple(TENTH * tenths for tenths in (1, 2, 5, 10, 20, 50, 100))  # ticks
FEWEST_CYCLES = 8
FURTHEST = 0.10  # a tone may lie this fraction from the frequency asked for
FURTHEST_BEGUN = 0.05  # in a record that only one mains fits: a longer one has nearer tones
FURTHEST_OF_ONE = 0.025  # in a single period of it
SAMPLES = 32_000
MAINS_HARMONICS = 10
LAST_MAINS_HZ = (MAINS_HARMONICS + 0.5) * max(MAINS_HZ)
SAMPLES_PER_CYCLE = 5
FEWEST_PER_CYCLE = 20  # then no harmonic below the 19th folds onto a tone (closed form); for short memories


@dataclass(frozen=True, kw_only=True)
class TonePair:
    """The two legs' frequencies and the record that holds both, and the mains, in whole cycles."""

    hot_hz: float
    cold_hz: float
    duration_s: float
    samples: int

    @property
    def frequencies_hz(self) -> tuple[float, float]:
        """Hot, cold: the order of a transfer's columns."""
        return self.hot_hz, self.cold_hz


@lru_cache(maxsize=1024)
def choose_tones(frequency_hz: float, mains_hz: tuple[int, ...] = MAINS_HZ) -> TonePair:
    """Choose two tones near `frequency_hz`, hot below cold.

    Their cycle counts differ by an odd number, or both are odd, so that one is odd: an even harmonic of
    either can't lie on the other. Neither lies on a harmonic of the mains. The shortest record is taken that
    holds at least eight cycles and two such tones within 10 % (within 2 % from 1 kHz up); one that only one
    mains fits has them within 5 %, or 2.5 % in a single period. In that, tones lie on harmonics beyond the
    40th: what there is of such is in the bins round a tone as well, of which its noise is taken.
    mains_hz: one, or both where it may be either.
    Raises UsageError outside 1 Hz to 1 MHz.
    """
    if not 1.0 <= frequency_hz <= 1e6:
        raise UsageError(f"a tone of {frequency_hz:g} Hz can't be measured here: choose 1 Hz to 1 MHz")
    begun = [each[mains_hz[0]] for each in (ONE_PERIOD, BEGUN)] if len(mains_hz) == 1 else []
    for ticks in (*begun, *DURATIONS):
        pair = _pair_in(frequency_hz, ticks, mains_hz)
        if pair is not None:
            low, high = pair
            return TonePair(
                hot_hz=low * TICKS / ticks,
                cold_hz=high * TICKS / ticks,
                duration_s=ticks / TICKS,
                samples=max(SAMPLES, SAMPLES_PER_CYCLE * high),
            )
    raise UsageError(f"no pair of tones lies near {frequency_hz:g} Hz")


def _pair_in(frequency_hz: float, ticks: int, mains_hz: tuple[int, ...]) -> tuple[int, int] | None:
    """Cycle counts of the best pair in this record, or None.

    In two periods of a mains every even count is a harmonic of it: both counts are odd there.
    """
    wanted = frequency_hz * ticks / TICKS
    if wanted < FEWEST_CYCLES:
        return None
    middle, short = round(wanted), ticks < TENTH
    usable = [
        count for count in range(middle - 6, middle + 7) if count > 1 and _clear(count, ticks, mains_hz)
    ]
    pairs = [
        (low, high)
        for low in usable
        for high in usable
        if high > low and ((high - low) % 2 or (short and low % 2))
    ]

    def badness(pair: tuple[int, int]) -> tuple[int, int]:
        furthest = max(abs(count - wanted) for count in pair)
        return round(1e6 * furthest), round(1e6 * abs(sum(pair) / 2 - wanted))

    best = min(pairs, key=badness, default=None)
    one = ticks in ONE_PERIOD.values()
    furthest = FURTHEST_OF_ONE if one else FURTHEST_BEGUN if short else FURTHEST
    if best is None or max(abs(count - wanted) for count in best) > furthest * wanted + 1e-9:
        return None
    return best


def _clear(cycles: int, ticks: int, mains_hz: tuple[int, ...]) -> bool:
    """Whether that many cycles in the record are no harmonic of the mains; of its one period a high one."""
    if ticks in ONE_PERIOD.values():
        return cycles > LAST_COUNTED
    return all(TICKS * cycles % (mains * ticks) for mains in mains_hz)


def is_mains(frequency_hz: float, duration_s: float) -> bool:
    """Whether a line is the mains or one of its first harmonics, as far as the record tells."""
    return any(
        0.5 * mains < frequency_hz < (MAINS_HARMONICS + 0.5) * mains
        and abs(math.remainder(frequency_hz, mains)) < 0.6 / duration_s
        for mains in MAINS_HZ
    )


TERMINATED_HZ = 60e3
NOISE_SAMPLES = 200_000  # a scope has no filter: what lies above a megahertz folds, and little noise does
HARMONICS_SA_S = 200e3  # of a record in which distortion up to 20 kHz is looked for, whatever its tone
SILENT_RECORD_HZ = 1e3  # with the outputs off nothing is looked for, but mains is averaged as with a tone


@dataclass(frozen=True, kw_only=True)
class Stimulus:
    """What the generator does during an acquisition.

    `pair`: the hot output at the lower, the cold output at the upper of two neighbouring frequencies around
    `frequency_hz`, each at half of the differential level. `antiphase`: both at one frequency, the cold one
    inverted. `silence`: both outputs off, and with them nothing on the input. `terminated`: both on at the
    generator's smallest amplitude and far above the audio band, so that they add nothing to the input but
    their resistances. `synced`: the tones of a pair, hot alone and then cold alone, each in a record that is
    counted from the generator's sync.

    mains_hz: of the bench, where it is known. It decides how long a pair or silence is recorded, and which
    the tones are; a spectrum is always recorded for a tenth of a second or more.
    """

    kind: Literal["pair", "synced", "antiphase", "silence", "terminated"]
    frequency_hz: float = 0.0
    level_vrms: float = 0.0
    mains_hz: tuple[int, ...] = field(default=MAINS_HZ, compare=False)  # the bench's: not what is sent

    @property
    def tones(self) -> TonePair:
        """The two frequencies, and the record that holds both in whole cycles."""
        spectrum = self.kind in ("terminated", "antiphase")
        tones = choose_tones(
            SILENT_RECORD_HZ if self.kind == "silence" else self.frequency_hz,
            MAINS_HZ if spectrum else self.mains_hz,
        )
        if self.kind == "terminated":
            return replace(tones, samples=NOISE_SAMPLES)
        if self.kind == "antiphase":
            return replace(tones, samples=max(tones.samples, round(HARMONICS_SA_S * tones.duration_s)))
        return tones

    @property
    def fewest_samples(self) -> int:
        """With which a record still serves: tones and mains are in it, and nothing near them folds onto them.

        All that were asked for where a spectrum is measured: noise and harmonics.
        """
        tones = self.tones
        if self.kind in ("terminated", "antiphase"):
            return tones.samples
        fewest = max(FEWEST_PER_CYCLE * tones.cold_hz, FEWEST_PER_CYCLE * LAST_MAINS_HZ) * tones.duration_s
        return min(math.ceil(round(fewest, 6)), tones.samples)

    @property
    def has_tone(self) -> bool:
        """Whether it has a tone to find."""
        return self.tells_legs_apart or self.kind == "antiphase"

    @property
    def tells_legs_apart(self) -> bool:
        """Whether it has a tone for each source leg, so that it shows a transfer matrix."""
        return self.kind in ("pair", "synced")

    @property
    def as_pair(self) -> "Stimulus":
        """The same with both legs driven at once, if they are told apart."""
        return replace(self, kind="pair") if self.tells_legs_apart else self

    def __str__(self) -> str:
        if not self.has_tone:
            return self.kind
        how = "" if self.kind == "pair" else f"{self.kind}, "
        return f"{how}{self.frequency_hz:g} Hz, {self.level_vrms:.3f} V"


SILENCE = Stimulus(kind="silence")
TERMINATED = Stimulus(kind="terminated", frequency_hz=TERMINATED_HZ)
