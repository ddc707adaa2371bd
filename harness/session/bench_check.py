"""Whether a job can be run on its bench, by the profiles alone: asked before anything is opened."""

from collections.abc import Iterator
from dataclasses import replace
from math import sqrt
from pathlib import Path

from drivers.profile import GeneratorProfile, OscilloscopeProfile, Profile, SupplyProfile, SwitchboardProfile
from drivers.profile_files import load_profile
from harness.bench_file import BenchFile
from harness.circuit.elements import BenchImpedances
from harness.errors import JobError, Mistake
from harness.job.job import Job


def check_bench(job: Job, bench: BenchFile, folder: Path) -> BenchImpedances:
    """Hold a job against its bench's profiles; gives what the instruments load the module with.

    Raises JobError with everything that the instruments cannot do.
    """
    profiles: list[Profile] = []
    mistakes: list[Mistake] = []
    for role, name in bench.profiles.items():
        try:
            profiles.append(load_profile(name, role=role, folder=folder))
        except JobError as error:
            mistakes += error.mistakes
    impedances = BenchImpedances()
    for profile in profiles:
        match profile:
            case GeneratorProfile():
                mistakes += _generator(job, bench, profile)
                impedances = replace(impedances, source_ohm=profile.output_impedance_ohm)
            case OscilloscopeProfile():
                mistakes += _oscilloscope(job, profile)
                mistakes += _drowned(job, profile, bench.oscilloscope.probe)
                impedances = replace(
                    impedances,
                    input_ohm=profile.input_impedance_ohm * bench.oscilloscope.probe,
                    input_f=profile.input_capacitance_f,  # a probe's tip has about the input's
                )
            case SupplyProfile():
                mistakes += _supply(job, profile)
            case _:
                mistakes += _switchboard(job, profile)
    if mistakes:
        raise JobError(mistakes)
    return impedances


def _generator(job: Job, bench: BenchFile, profile: GeneratorProfile) -> Iterator[Mistake]:
    name = bench.generator.profile
    for key, output in (("hot", bench.generator.hot), ("cold", bench.generator.cold)):
        if not 1 <= output <= profile.outputs:
            message = f"found output {output}; {name} has outputs 1 to {profile.outputs}"
            yield Mistake(file="bench.toml", line=None, key=f"generator.{key}", message=message)
    if not profile.independent_frequencies:
        yield Mistake(
            file="bench.toml",
            line=None,
            key="generator.profile",
            message=f"{name} cannot run its outputs at two frequencies (independent_frequencies = false). "
            "Hot and cold are told apart by a tone each, at once: no change of state can be recorded twice, "
            "and an output that is off leaves its leg open. Use a generator with two independent outputs",
        )
    for index, check in enumerate(job.sequence.checks, start=1):
        vpp = check.tone.level_vrms * sqrt(2.0)  # of one leg: half the level, times 2 sqrt 2
        if vpp > 0 and not profile.amplitude_min_vpp <= vpp <= profile.amplitude_max_vpp:
            message = (
                f"needs {vpp:.3g} Vpp on each leg; {name} gives {profile.amplitude_min_vpp:g} to "
                f"{profile.amplitude_max_vpp:g} Vpp"
            )
            yield Mistake(file="sequence.toml", line=check.line, key=f"check[{index}].level", message=message)
        if not profile.frequency_min_hz <= check.tone.frequency_hz <= profile.frequency_max_hz:
            message = (
                f"{check.tone.frequency_hz:g} Hz; {name} gives {profile.frequency_min_hz:g} to "
                f"{profile.frequency_max_hz:g} Hz"
            )
            yield Mistake(
                file="sequence.toml", line=check.line, key=f"check[{index}].frequency", message=message
            )


def _oscilloscope(job: Job, profile: OscilloscopeProfile) -> Iterator[Mistake]:
    for index, hookup in enumerate(job.fixture.hookups, start=1):
        if 2 * len(hookup.view) > profile.inputs:
            yield Mistake(
                file="fixture.toml",
                line=hookup.line or None,
                key=f"hookup[{index}].view",
                message=f"{hookup.name!r} views {2 * len(hookup.view)} legs; the scope has {profile.inputs} "
                "inputs: view fewer ports, in one more hookup",
            )
        for line, number in hookup.lines_on.items():
            if number > profile.inputs:
                yield Mistake(
                    file="fixture.toml",
                    line=hookup.line or None,
                    key=f"hookup[{index}].lines_on.{line}",
                    message=f"found input {number}; the scope has inputs 1 to {profile.inputs}",
                )


def _drowned(job: Job, profile: OscilloscopeProfile, probe: float) -> Iterator[Mistake]:
    """Limits of noise that even a quiet scope's own noise hides, on its most sensitive range."""
    finest_v = profile.volts_per_division_v[0] * probe
    for index, check in enumerate(job.sequence.checks, start=1):
        limit_dbu = check.limit.high if check.limit else None
        floor_dbu = check.quantity.scope_floor(check.options, finest_v, job.sequence.coverage_factor)
        if limit_dbu is not None and floor_dbu is not None and limit_dbu < floor_dbu:
            with_probe = f"a 1x probe in place of the {probe:g}x one, " if probe > 1 else ""
            yield Mistake(
                file="sequence.toml",
                line=check.line,
                key=f"check[{index}].below",
                message=f"{limit_dbu:g} dBu is hidden by the scope's own noise: its most sensitive range, "
                f"{1e3 * finest_v:g} mV per division, tells none below {floor_dbu:.1f} dBu, its floor. "
                f"Expected {with_probe}a more sensitive scope, an amplifier before it, or a limit above "
                "that",
            )


def _supply(job: Job, profile: SupplyProfile) -> Iterator[Mistake]:
    wanted = job.module.supply
    if wanted.voltage_v > profile.voltage_max_v:
        message = f"{wanted.voltage_v:g} V; the bench's supply gives up to {profile.voltage_max_v:g} V"
        yield Mistake(file="module.toml", line=None, key="supply.voltage", message=message)
    if wanted.limit_a > profile.current_max_a:
        message = f"{wanted.limit_a:g} A; the bench's supply gives up to {profile.current_max_a:g} A"
        yield Mistake(file="module.toml", line=None, key="supply.limit", message=message)


def _switchboard(job: Job, profile: SwitchboardProfile) -> Iterator[Mistake]:
    channels = profile.channels
    for line, channel in job.fixture.lines.items():
        if channel > channels:
            message = f"found channel {channel}; the switchboard has channels 1 to {channels}"
            yield Mistake(file="fixture.toml", line=None, key=f"lines.{line}", message=message)
    for index, hookup in enumerate(job.fixture.hookups, start=1):
        beyond = [channel for channel in hookup.select or () if channel > channels]
        if beyond:
            yield Mistake(
                file="fixture.toml",
                line=hookup.line or None,
                key=f"hookup[{index}].select",
                message=f"found channel {beyond[0]}; the switchboard has channels 1 to {channels}",
            )
