"""The profiles of a bench's instruments, and what these load a module with."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from drivers.balanced_generator import seen_ohm
from drivers.models.sources import GeneratorProfile, HandSupplyProfile, SupplyProfile
from drivers.models.switchboards import SwitchboardProfile
from drivers.profile import OscilloscopeProfile, Profile, load_profile
from harness.bench_file import BenchFile, key_of, load_bench, role_of
from harness.circuit.elements import QUIET_VRMS, BenchImpedances
from harness.errors import JobError, Mistake
from harness.job.job import Job
from harness.toml_files.located import read_located

RANGE_NOISE = 0.05  # of a division, RMS: an eight-bit scope's, common practice, no source
TONE_SAMPLES = 20_000  # of a record of tones, at least


def impedances_of_profiles(bench: BenchFile, profiles: Sequence[Profile]) -> BenchImpedances:
    """What the instruments of these profiles load a module with."""
    impedances = BenchImpedances()
    generators = [each for each in profiles if isinstance(each, GeneratorProfile)]
    for profile in profiles:
        match profile:
            case GeneratorProfile():
                file, ohm = bench.generator, profile.output_impedance_ohm
                balanced = file.transformer is not None
                impedances = replace(
                    impedances,
                    source_ohm=ohm if file.transformer is None else seen_ohm(ohm, file.transformer),
                    winding_ohm=file.winding_ohm if balanced else None,
                    source_tolerance=max(each.output_impedance_tolerance for each in generators),
                )
            case OscilloscopeProfile():
                impedances = replace(
                    impedances,
                    input_ohm=profile.input_impedance_ohm * bench.oscilloscope.probe,
                    input_f=profile.input_capacitance_f,  # a probe's tip has about the input's
                    quiet_vrms=quiet_vrms(profile.volts_per_division_v[0]) * bench.oscilloscope.probe,
                    trigger_within_s=profile.trigger_jitter_s,
                )
            case SupplyProfile() | HandSupplyProfile():
                impedances = replace(impedances, supply_current=profile.measures_current)
    return impedances


def quiet_vrms(volts_per_division: float) -> float:
    """The noise of a tone's phasor on a quiet input, by its most sensitive range; no less than usual."""
    return max(QUIET_VRMS, RANGE_NOISE * volts_per_division / math.sqrt(TONE_SAMPLES))


def load_profiles(bench: BenchFile, folder: Path) -> tuple[list[Profile], list[Mistake]]:
    """The profiles that a bench names, and the mistakes of those that cannot be read."""
    profiles: list[Profile] = []
    mistakes: list[Mistake] = []
    for instrument in bench.profiles:
        try:
            profiles.append(load_profile_of(bench, instrument, folder))
        except JobError as error:
            mistakes += error.mistakes
    return profiles, mistakes


def load_profile_of(bench: BenchFile, instrument: str, folder: Path) -> Profile:
    """The profile of one instrument of a bench. Raises JobError."""
    return load_profile(bench.profiles[instrument], role=role_of(instrument), folder=folder)


def generators_of(job: Job, folder: Path) -> dict[str, GeneratorProfile]:
    """The profiles of the job's generator or generators, by instrument; none if the job names no bench."""
    bench = job.bench
    profiles = {} if bench is None else {name: load_profile_of(bench, name, folder) for name in bench.sources}
    return {name: each for name, each in profiles.items() if isinstance(each, GeneratorProfile)}


def scope_of(job: Job, folder: Path) -> OscilloscopeProfile | None:
    """The profile of the job's oscilloscope; None if the job names no bench."""
    profile = None if job.bench is None else load_profile_of(job.bench, "oscilloscope", folder)
    return profile if isinstance(profile, OscilloscopeProfile) else None


def profile_mistakes(path: Path) -> list[Mistake]:
    """What is wrong with the profiles of a bench file; nothing if the file itself is wrong or missing."""
    try:
        bench = load_bench(path)
    except JobError:
        return []
    located = read_located(path.read_text(encoding="utf-8-sig"))
    mistakes: list[Mistake] = []
    for instrument in bench.profiles:
        try:
            load_profile_of(bench, instrument, path.parent)
        except JobError as error:
            named, line = f"{role_of(instrument)}.profile", located.line((*key_of(instrument), "profile"))
            mistakes += [replace(each, line=line) if each.key == named else each for each in error.mistakes]
    return mistakes


@dataclass(frozen=True, kw_only=True)
class BenchOffer:
    """What a bench has for a job that is still to be written."""

    bench: BenchFile
    impedances: BenchImpedances
    scope_inputs: int
    switchboard_channels: int


def bench_offer(path: Path) -> BenchOffer:
    """Read a bench file and its profiles. Raises JobError with every mistake in them."""
    bench = load_bench(path)
    if mistakes := profile_mistakes(path):
        raise JobError(mistakes)
    profiles, _ = load_profiles(bench, path.parent)
    return BenchOffer(
        bench=bench,
        impedances=impedances_of_profiles(bench, profiles),
        scope_inputs=sum(each.inputs for each in profiles if isinstance(each, OscilloscopeProfile)),
        switchboard_channels=sum(each.channels for each in profiles if isinstance(each, SwitchboardProfile)),
    )
