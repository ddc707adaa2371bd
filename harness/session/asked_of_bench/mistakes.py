"""What a job asks of its bench's instruments, and they can't do: every mistake, before anything is opened."""

from collections.abc import Iterator, Mapping, Sequence
from math import sqrt
from pathlib import Path

from drivers.models.sources import GeneratorProfile, HandSupplyProfile, SupplyProfile
from drivers.models.switchboards import SwitchboardProfile
from drivers.profile import OscilloscopeProfile
from drivers.scope.record_timing import record_timing
from harness.bench_file import GENERATOR_LEGS, BenchFile, GeneratorFile, load_bench
from harness.circuit.elements import BenchImpedances
from harness.errors import JobError, Mistake
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.sequence import Check
from harness.measure.tones import Stimulus
from harness.plan.model import Plan
from harness.plan.states import CHANGE_RECORD_S, CHANGE_SAMPLES, LONGER, LOOK_SAMPLES, look_s
from harness.roles import CaptureSetting
from harness.session.asked_of_bench.profiles import impedances_of_profiles, load_profiles

TWO_PORTS = 4  # inputs: two legs each


def check_bench(job: Job, bench: BenchFile, folder: Path) -> BenchImpedances:
    """Check a job against its bench's profiles; returns what the instruments load the module with.

    Raises JobError with everything that the instruments cannot do.
    """
    profiles, mistakes = load_profiles(bench, folder)
    boards: list[SwitchboardProfile] = []
    generators = [each for each in profiles if isinstance(each, GeneratorProfile)]
    mistakes += _generators(job, bench, generators)
    for profile in profiles:
        match profile:
            case GeneratorProfile():
                pass
            case OscilloscopeProfile():
                mistakes += _oscilloscope(job, profile)
                mistakes += _finer(bench, profile, generators)
                mistakes += _of_sync(bench, profile, generators)
                if not bench.oscilloscope.high_resolution:  # whose noise only a record tells
                    mistakes += _hidden_by_noise(job, profile, bench.oscilloscope.probe)
            case SupplyProfile() | HandSupplyProfile():
                mistakes += _supply(job, profile)
            case _:
                boards.append(profile)
    if len(boards) == len(bench.switchboards):
        mistakes += _switchboards(job, sum(board.channels for board in boards))
    if mistakes:
        raise JobError(mistakes)
    return impedances_of_profiles(bench, profiles)


def _of_setup(index: int, setup: Setup, key: str, message: str) -> Mistake:
    key = f"setup[{index}].{key}"
    return Mistake(file="fixture.toml", line=setup.line or None, key=key, message=message)


def _of_check(index: int, check: Check, key: str, message: str) -> Mistake:
    return Mistake(file="sequence.toml", line=check.line, key=f"check[{index}].{key}", message=message)


def _generators(job: Job, bench: BenchFile, profiles: Sequence[GeneratorProfile]) -> Iterator[Mistake]:
    """What the generator can't do for the job; of two, what one of them can't, or not beside the other."""
    if len(profiles) != len(bench.generators):
        return
    file, profile = bench.generator, profiles[0]
    legs = [("hot", file, profile, file.hot), ("cold", file, profile, file.cold)]
    if len(profiles) == 2:
        yield from _apart(bench, profiles)
        pairs = zip(GENERATOR_LEGS, bench.generators, profiles, strict=True)
        legs = [(f"{leg}.output", file, profile, file.output) for leg, file, profile in pairs]
    if file.transformer is not None:
        legs = [("output", file, profile, file.output)]
        yield from _balanced(job, file, profile)
    for key, file, profile, output in legs:
        if not 1 <= output <= profile.outputs:
            message = f"found output {output}; {file.profile} has outputs 1 to {profile.outputs}"
            yield Mistake(file="bench.toml", key=f"generator.{key}", message=message)
    for name, profile in {file.profile: profile for _, file, profile, _ in legs}.items():
        yield from _levels(job, name, profile, bench.generator.transformer or 1.0)


def _balanced(job: Job, file: GeneratorFile, profile: GeneratorProfile) -> Iterator[Mistake]:
    """What one output can't do for a job through a balancing transformer."""
    if profile.commands.silence is None or profile.commands.function_sine is None:
        message = (
            f"{file.profile} has no commands silence and function_sine; before a transformer the output must "
            "give 0 V while it stays on"
        )
        yield Mistake(file="bench.toml", key="generator.profile", message=message)
    for index, check in enumerate(job.sequence.checks, start=1):
        if check.quantity.legs_apart:
            message = (
                f"{check.quantity.spoken} needs hot and cold driven one by one; the generator drives both "
                "in antiphase, through a transformer. Leave this check out, or use one with two outputs"
            )
            yield _of_check(index, check, "quantity", message)
    unbalanced = {port.net for port in job.module.ports if port.unbalanced}
    for index, setup in enumerate(job.fixture.setups, start=1):
        if setup.drive is not None and setup.drive.net in unbalanced:
            message = (
                f"{setup.drive} is unbalanced: its cold is the ground, which would short one half of the "
                "transformer's secondary. Use a generator with two outputs"
            )
            yield _of_setup(index, setup, "drive", message)


def _apart(bench: BenchFile, profiles: Sequence[GeneratorProfile]) -> Iterator[Mistake]:
    """What two generators must have in common, and each of them."""
    for leg, file, profile in zip(GENERATOR_LEGS, bench.generators, profiles, strict=True):
        if profile.commands.silence is None or profile.commands.function_sine is None:
            message = (
                f"{file.profile} has no commands silence and function_sine. Of two generators each is silent "
                "while the other is driven, and stays on"
            )
            yield Mistake(file="bench.toml", key=f"generator.{leg}.profile", message=message)
    hot_ohm, cold_ohm = (profile.output_impedance_ohm for profile in profiles)
    if hot_ohm != cold_ohm:
        message = f"has outputs of {cold_ohm:g} ohm, and the hot leg's {hot_ohm:g} ohm; expected the same"
        yield Mistake(file="bench.toml", key="generator.cold.profile", message=message)


def _levels(job: Job, name: str, profile: GeneratorProfile, ratio: float) -> Iterator[Mistake]:
    """Checks whose level or frequency a generator does not have."""
    for index, check in enumerate(job.sequence.checks, start=1):
        # Of one leg: half the level, times 2 sqrt 2.
        vpp = check.tone.level_vrms * sqrt(2.0) / ratio
        if vpp > 0 and not profile.amplitude_min_vpp <= vpp <= profile.amplitude_max_vpp:
            amplitudes = f"{profile.amplitude_min_vpp:g} to {profile.amplitude_max_vpp:g} Vpp"
            yield _of_check(
                index, check, "level", f"needs {vpp:.3g} Vpp on each leg; {name} gives {amplitudes}"
            )
        hz = check.tone.frequency_hz
        if not profile.frequency_min_hz <= hz <= profile.frequency_max_hz:
            frequencies = f"{profile.frequency_min_hz:g} to {profile.frequency_max_hz:g} Hz"
            yield _of_check(index, check, "frequency", f"{hz:g} Hz; {name} gives {frequencies}")


def _oscilloscope(job: Job, profile: OscilloscopeProfile) -> Iterator[Mistake]:
    for index, setup in enumerate(job.fixture.setups, start=1):
        if 2 * len(setup.view) > profile.inputs:
            message = (
                f"{setup.name!r} views {2 * len(setup.view)} legs; the scope has {profile.inputs} "
                "inputs: view fewer ports, in one more setup"
            )
            yield _of_setup(index, setup, "view", message)
        for control, number in setup.controls_viewed.items():
            if number > profile.inputs:
                message = f"found input {number}; the scope has inputs 1 to {profile.inputs}"
                yield _of_setup(index, setup, f"controls_viewed.{control}", message)


def _finer(
    bench: BenchFile, profile: OscilloscopeProfile, generators: Sequence[GeneratorProfile]
) -> Iterator[Mistake]:
    """What the scope, or the generator beside it, lacks for the finer records that bench.toml asks for."""
    file, commands = bench.oscilloscope, profile.commands
    lacking = f"{file.profile} has no command for that"
    if file.high_resolution and commands.high_resolution is None:
        message = f"{lacking}; expected commands.high_resolution in it"
        yield Mistake(file="bench.toml", key="oscilloscope.high_resolution", message=message)
    if file.averages == 1:
        return
    message = ""
    if file.high_resolution:
        message = "found with high_resolution = true; expected one of them"
    elif commands.average is None:
        message = f"{lacking}; expected commands.average in it"
    elif (
        len(generators) == 1 and generators[0].independent_frequencies and bench.generator.transformer is None
    ):
        message = (
            f"{bench.generator.profile} drives hot and cold at two frequencies at once, and records that one "
            "of them triggers average out the other; expected averages = 1, or a profile of your own with "
            "independent_frequencies = false, by which each leg is driven alone"
        )
    if message:
        yield Mistake(file="bench.toml", key="oscilloscope.averages", message=message)


def _of_sync(
    bench: BenchFile, profile: OscilloscopeProfile, generators: Sequence[GeneratorProfile]
) -> Iterator[Mistake]:
    """What scope or generator lacks for records that are counted from the generator's sync."""
    file = bench.oscilloscope
    if not file.sync_connected:
        return
    messages = []
    if profile.commands.trigger_external is None:
        messages.append(f"{file.profile} has no command trigger_external, for the input that the sync is on")
    elif profile.commands.trigger_normal is None:
        messages.append(
            f"{file.profile} has no command trigger_normal: its automatic trigger would start a record "
            "without the sync"
        )
    if len(bench.generators) > 1:
        messages.append("two generators have no sync in common; expected one generator, or no sync_connected")
    for generator in generators[:1]:
        commands, name = generator.commands, bench.generator.profile
        if None in (commands.silence, commands.function_sine):
            messages.append(
                f"{name} has no commands silence and function_sine. Each leg is driven alone, as the sync "
                "follows one output, and the other must give 0 V while it stays on"
            )
        if generator.outputs > 1 and bench.generator.transformer is None and commands.sync_source is None:
            messages.append(f"{name} has no command sync_source: the sync must follow either output")
    for message in messages:
        yield Mistake(file="bench.toml", key="oscilloscope.sync_connected", message=message)


def _hidden_by_noise(job: Job, profile: OscilloscopeProfile, probe: float) -> Iterator[Mistake]:
    """Limits of noise that even a quiet scope's own noise hides, on its most sensitive range."""
    finest_v = profile.volts_per_division_v[0] * probe
    for index, check in enumerate(job.sequence.checks, start=1):
        limit_dbu = check.limit.high if check.limit else None
        floor_dbu = check.quantity.scope_floor(check.options, finest_v, job.sequence.coverage_factor)
        if limit_dbu is not None and floor_dbu is not None and limit_dbu < floor_dbu:
            with_probe = f"a 1x probe in place of the {probe:g}x one, " if probe > 1 else ""
            message = (
                f"{limit_dbu:g} dBu is hidden by the scope's own noise: its most sensitive range, "
                f"{1e3 * finest_v:g} mV per division, tells none below {floor_dbu:.1f} dBu, its floor. "
                f"Expected {with_probe}a more sensitive scope, an amplifier before it, or a limit above "
                "that"
            )
            yield _of_check(index, check, "below", message)


def beyond_memory(job: Job, plan: Plan, profile: OscilloscopeProfile) -> Iterator[Mistake]:
    """Checks whose records the scope can't take: too long, or of more samples than it has."""
    stimuli = {acquisition.number: acquisition.stimulus for acquisition in plan.acquisitions}
    refused: dict[str, str] = {}
    for reading in plan.state_readings:
        for stimulus in (stimuli[number] for number in reading.captures if number in stimuli):
            tones = stimulus.tones
            why = _not_recorded(profile, tones.duration_s, tones.samples, stimulus.fewest_samples)
            refused |= {reading.key.check: why} if why else {}
    for changing in plan.change_readings:
        why = _not_recorded(profile, LONGER * CHANGE_RECORD_S, LONGER * CHANGE_SAMPLES)
        refused |= {changing.key.check: why} if why else {}
    for cycle in plan.cycles:
        why = _not_recorded(profile, look_s(cycle.given), LOOK_SAMPLES)
        refused |= {cycle.key.check: why} if why else {}
    for index, check in enumerate(job.sequence.checks, start=1):
        if check.name in refused:
            message = (
                f"{check.name!r}: the scope {refused[check.name]}. Use a scope with a longer record, or "
                "leave this check out"
            )
            yield _of_check(index, check, "quantity", message)


def _not_recorded(profile: OscilloscopeProfile, duration_s: float, samples: int, fewest: int = 0) -> str:
    """Why the scope can't take such a record, "" if it can."""
    setting = CaptureSetting(inputs={}, duration_s=duration_s, samples=samples, fewest_samples=fewest)
    try:
        record_timing(profile, setting)
    except ValueError as error:
        return str(error)
    return ""


def _supply(job: Job, profile: SupplyProfile | HandSupplyProfile) -> Iterator[Mistake]:
    wanted = job.module.supply
    if wanted.voltage_v > profile.voltage_max_v:
        message = f"{wanted.voltage_v:g} V; the bench's supply gives up to {profile.voltage_max_v:g} V"
        yield Mistake(file="module.toml", key="supply.voltage", message=message)
    if wanted.limit_a > profile.current_max_a:
        message = f"{wanted.limit_a:g} A; the bench's supply gives up to {profile.current_max_a:g} A"
        yield Mistake(file="module.toml", key="supply.limit", message=message)


def _switchboards(job: Job, channels: int) -> Iterator[Mistake]:
    for control, channel in job.fixture.controls.items():
        if channel > channels:
            message = f"found channel {channel}; the switchboard has channels 1 to {channels}"
            yield Mistake(file="fixture.toml", key=f"controls.{control}", message=message)
    for index, setup in enumerate(job.fixture.setups, start=1):
        beyond = [channel for channel in setup.select or () if channel > channels]
        if beyond:
            message = f"found channel {beyond[0]}; the switchboard has channels 1 to {channels}"
            yield _of_setup(index, setup, "select", message)


def undriven(job: Job, plan: Plan, generators: Mapping[str, GeneratorProfile]) -> list[Mistake]:
    """The checks of a plan that need what its generators can't do, with both outputs at once."""
    if job.bench is None or not generators:
        return []
    name, profile = job.bench.generator.profile, next(iter(generators.values()))
    two, balanced = len(generators) > 1, job.bench.generator.transformer is not None
    messages: dict[str, str] = {}
    if two or (profile.commands.phase is None and not balanced):
        antiphase = {each.number for each in plan.acquisitions if each.stimulus.kind == "antiphase"}
        why = "two generators share no clock" if two else f"{name} has no command for the phase"
        message = f"needs hot and cold in antiphase at one frequency; {why}"
        messages |= dict.fromkeys(_checks_of(plan, antiphase), message)
    if two or balanced or not profile.independent_frequencies:
        pairs = {each.number for each in plan.changes if each.stimulus.kind == "pair"}
        why = "two generators share no clock" if two else f"{name} has one frequency"
        why = "a transformer has one output before it" if balanced else why
        message = f"needs hot and cold at two frequencies at once, in one record; {why}"
        messages |= dict.fromkeys(_checks_of(plan, pairs), message)
    mistakes = [
        _of_check(index, check, "quantity", messages[check.name])
        for index, check in enumerate(job.sequence.checks, start=1)
        if check.name in messages
    ]
    unwritten = (mistake for each in generators.values() for mistake in _unwritten(job, plan, each))
    return list(dict.fromkeys([*mistakes, *unwritten]))


def _unwritten(job: Job, plan: Plan, profile: GeneratorProfile) -> Iterator[Mistake]:
    """The checks of a plan whose frequencies or levels have more digits than the generator's commands."""
    messages: dict[str, tuple[str, str]] = {}
    stimuli = {each.number: each.stimulus for each in plan.acquisitions}
    stimuli |= {each.number: each.stimulus for each in plan.changes}
    for number, stimulus in stimuli.items():
        if not stimulus.has_tone:
            continue
        wrong = [("frequency", profile.frequency_lost(hz)) for hz in stimulus.tones.frequencies_hz]
        vpp = _asked_vpp(job, stimulus)
        wrong.append(("level", profile.level_lost(vpp) or _too_high(vpp, profile)))
        for key, message in wrong:
            if message:
                messages |= dict.fromkeys(_checks_of(plan, {number}), (key, message))
    for index, check in enumerate(job.sequence.checks, start=1):
        if check.name in messages:
            key, message = messages[check.name]
            yield _of_check(index, check, key, message)


def _asked_vpp(job: Job, stimulus: Stimulus) -> float:
    """What an output is asked for: of one leg; through a transformer of both, if they are driven at once."""
    ratio = job.bench.generator.transformer if job.bench else None
    legs = 2.0 if ratio is not None and stimulus.kind == "antiphase" else 1.0
    return legs * stimulus.level_vrms * sqrt(2.0) / (ratio or 1.0)


def _too_high(vpp: float, profile: GeneratorProfile) -> str:
    """What is wrong with both legs' level at one output; "" if nothing is. One leg's is known before."""
    if vpp <= profile.amplitude_max_vpp:
        return ""
    most = f"the generator gives {profile.amplitude_max_vpp:g} Vpp"
    return f"needs {vpp:.3g} Vpp before the transformer; {most}"


def _checks_of(plan: Plan, captures: set[int]) -> list[str]:
    """The names of the checks that need one of these captures."""
    return [reading.key.check for reading in plan.readings if captures & set(reading.captures)]


def of_few_inputs(path: Path, mistakes: Sequence[Mistake]) -> list[Mistake]:
    """What a scope that shows one port at a time can't measure, where checks lack a setup with two in view.

    path: of the bench file. No setup that the other mistakes ask for can be added for such a scope.
    """
    if not any(".at[" in mistake.key for mistake in mistakes):
        return []
    try:
        bench = load_bench(path)
    except JobError:
        return []
    scopes = [each for each in load_profiles(bench, path.parent)[0] if isinstance(each, OscilloscopeProfile)]
    if not scopes or scopes[0].inputs >= TWO_PORTS or bench.oscilloscope.sync_connected:
        return []
    message = (
        f"{bench.oscilloscope.profile} has {scopes[0].inputs} inputs and shows one port at a time. A check "
        "that needs two ports in view at once (a phase against the drive, crosstalk) is lost with it: leave "
        "that check out, use a scope with four inputs, or connect the generator's sync to the scope's "
        "external trigger input, write sync_connected = true, and add a setup for each of the two ports"
    )
    return [Mistake(file="bench.toml", key="oscilloscope.profile", message=message)]
