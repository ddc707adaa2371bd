"""A job as its files say, checked against its bench's profiles, with the plan that follows from both."""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import version
from math import sqrt
from pathlib import Path
from tempfile import TemporaryDirectory

from drivers.models.sources import GeneratorProfile, HandSupplyProfile, SupplyProfile
from drivers.models.switchboards import SwitchboardProfile
from drivers.profile import NAME, OscilloscopeProfile, Profile, load_profile, own_profile
from drivers.scope.record_timing import record_timing
from harness.bench_file import GENERATOR_LEGS, BenchFile, key_of, load_bench, role_of
from harness.circuit.elements import BenchImpedances
from harness.errors import JobError, Mistake, RecordsError
from harness.job.fixture import Setup
from harness.job.job import BENCH, Job, load_job
from harness.job.sequence import Check
from harness.plan.build import build_plan, trial_plan
from harness.plan.model import Plan
from harness.plan.states import CHANGE_RECORD_S, CHANGE_SAMPLES, CYCLE_RECORD_S, CYCLE_SAMPLES
from harness.records.evidence import JOB_FILES, recorded_job
from harness.records.run import RunHeader, RunRecord
from harness.roles import CaptureSetting
from harness.toml_files.located import JobFile, read_located

SUPPLY_UNKNOWN = (
    "The relay supply does not say what it gives. So no over-current is noticed, a unit is not known by what "
    "it draws, and no reading of its current can be taken"
)


ONE_FREQUENCY = (
    "The generator's outputs share one frequency. So each leg is driven alone, in two records, which take "
    "twice the time that is estimated"
)
TWO_GENERATORS = (
    "Two generators feed the legs, and share no clock. So each leg is driven alone, in two records, which "
    "take twice the time that is estimated; what needs both legs in one record can't be measured: changes of "
    "state with a tone, and distortion"
)
TWO_PORTS = 4  # inputs: two legs each
BENCH_FILE = 3  # its index in the files that a run records; a person's own profiles come after it


def check_bench(job: Job, bench: BenchFile, folder: Path) -> BenchImpedances:
    """Check a job against its bench's profiles; returns what the instruments load the module with.

    Raises JobError with everything that the instruments cannot do.
    """
    profiles, mistakes = _load_profiles(bench, folder)
    impedances = BenchImpedances()
    boards: list[SwitchboardProfile] = []
    generators = [each for each in profiles if isinstance(each, GeneratorProfile)]
    mistakes += _generators(job, bench, generators)
    for profile in profiles:
        match profile:
            case GeneratorProfile():
                impedances = replace(
                    impedances,
                    source_ohm=profile.output_impedance_ohm,
                    source_tolerance=max(each.output_impedance_tolerance for each in generators),
                )
            case OscilloscopeProfile():
                mistakes += _oscilloscope(job, profile)
                mistakes += _hidden_by_noise(job, profile, bench.oscilloscope.probe)
                impedances = replace(
                    impedances,
                    input_ohm=profile.input_impedance_ohm * bench.oscilloscope.probe,
                    input_f=profile.input_capacitance_f,  # a probe's tip has about the input's
                )
            case SupplyProfile() | HandSupplyProfile():
                mistakes += _supply(job, profile)
                impedances = replace(impedances, supply_current=profile.measures_current)
            case _:
                boards.append(profile)
    if len(boards) == len(bench.switchboards):
        mistakes += _switchboards(job, sum(board.channels for board in boards))
    if mistakes:
        raise JobError(mistakes)
    return impedances


def _load_profiles(bench: BenchFile, folder: Path) -> tuple[list[Profile], list[Mistake]]:
    """The profiles that a bench names, and the mistakes of those that cannot be read."""
    profiles: list[Profile] = []
    mistakes: list[Mistake] = []
    for instrument in bench.profiles:
        try:
            profiles.append(_load_profile(bench, instrument, folder))
        except JobError as error:
            mistakes += error.mistakes
    return profiles, mistakes


def _load_profile(bench: BenchFile, instrument: str, folder: Path) -> Profile:
    return load_profile(bench.profiles[instrument], role=role_of(instrument), folder=folder)


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
    for key, file, profile, output in legs:
        if not 1 <= output <= profile.outputs:
            message = f"found output {output}; {file.profile} has outputs 1 to {profile.outputs}"
            yield Mistake(file="bench.toml", key=f"generator.{key}", message=message)
    for name, profile in {file.profile: profile for _, file, profile, _ in legs}.items():
        yield from _levels(job, name, profile)


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


def _levels(job: Job, name: str, profile: GeneratorProfile) -> Iterator[Mistake]:
    """Checks whose level or frequency a generator does not have."""
    for index, check in enumerate(job.sequence.checks, start=1):
        vpp = check.tone.level_vrms * sqrt(2.0)  # of one leg: half the level, times 2 sqrt 2
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


def _beyond_memory(job: Job, plan: Plan, profile: OscilloscopeProfile) -> Iterator[Mistake]:
    """Checks whose records the scope can't take: too long, or of more samples than it has."""
    stimuli = {acquisition.number: acquisition.stimulus for acquisition in plan.acquisitions}
    refused: dict[str, str] = {}
    for reading in plan.state_readings:
        for stimulus in (stimuli[number] for number in reading.captures if number in stimuli):
            tones = stimulus.tones
            why = _not_recorded(profile, tones.duration_s, tones.samples, stimulus.fewest_samples)
            refused |= {reading.key.check: why} if why else {}
    for changing in plan.change_readings:
        why = _not_recorded(profile, CHANGE_RECORD_S, CHANGE_SAMPLES)
        refused |= {changing.key.check: why} if why else {}
    for cycle in plan.cycles:
        why = _not_recorded(profile, CYCLE_RECORD_S, CYCLE_SAMPLES)
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


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedJob:
    """A job and its plan.

    bench_file: None for the job's own. notes: what had to be assumed, and what the bench leaves unknown.
    """

    job: Job
    plan: Plan
    bench_file: Path | None = None
    notes: tuple[str, ...] = ()

    @property
    def profile_folder(self) -> Path:
        """Where a person's own instrument profiles are looked for."""
        return profile_folder(self.job, self.bench_file)

    @property
    def digest(self) -> str:
        """Of all that predictions follow from; a simulated bench's file has other addresses each time."""
        bench = self.job.bench
        parts = [
            version("switchwalk"),
            repr(self.plan.impedances),
            repr(None if bench is None else bench.oscilloscope.gain_accuracy),
            repr(self.plan.through is None),
            *(file.sha256 for file in self.job.files[:BENCH_FILE]),
        ]
        return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]

    @property
    def files(self) -> tuple[JobFile, ...]:
        """The job's files, then a person's own profiles that its bench names: all that a run keeps."""
        if self.job.bench is None:
            return self.job.files
        names = dict.fromkeys(self.job.bench.profiles.values())
        own = [path for name in names if (path := own_profile(name, self.profile_folder)) is not None]
        return (*self.job.files, *(JobFile.of(path.name, path.read_bytes()) for path in own))


def read_job(
    folder: Path,
    bench: Path | None = None,
    *,
    sequence_file: Path | None = None,
    fixture_file: Path | None = None,
) -> Job:
    """Read a job as `load_job` does. Raises JobError with every mistake of its files and their profiles."""
    in_profiles = _profile_mistakes(bench or folder / BENCH)
    try:
        job = load_job(folder, bench, sequence_file=sequence_file, fixture_file=fixture_file)
    except JobError as error:
        of_few = _of_few_inputs(bench or folder / BENCH, error.mistakes)
        raise JobError([*error.mistakes, *in_profiles, *of_few]) from None
    if in_profiles:
        raise JobError(in_profiles)
    return job


def plan_job(job: Job, bench_file: Path | None, *, through: bool = True) -> PlannedJob:
    """Plan a job for its bench. through: False for a run without a through reference.

    Raises JobError for what the bench's instruments cannot do, CircuitError.
    """
    plan = build_plan(job, impedances=impedances_of(job, bench_file))
    folder = profile_folder(job, bench_file)
    generators, scope = _generators_of(job, folder), _scope_of(job, folder)
    if mistakes := _undriven(job, plan, generators):
        raise JobError(mistakes)
    if isinstance(scope, OscilloscopeProfile) and (beyond := [*_beyond_memory(job, plan, scope)]):
        raise JobError(beyond)
    plan = plan if through else replace(plan, through=None, swapped_through=None)
    return PlannedJob(job=job, plan=plan, bench_file=bench_file, notes=_notes(plan, generators))


def _notes(plan: Plan, generators: Mapping[str, GeneratorProfile]) -> tuple[str, ...]:
    """What the bench leaves unknown in every run of a plan, and how both legs are driven."""
    notes = [] if plan.impedances.supply_current else [SUPPLY_UNKNOWN]
    if len(generators) > 1:
        notes.append(TWO_GENERATORS)
    elif any(not each.independent_frequencies for each in generators.values()):
        notes.append(ONE_FREQUENCY)
    return tuple(notes)


def _generators_of(job: Job, folder: Path) -> dict[str, GeneratorProfile]:
    """The profiles of the job's generator or generators, by instrument; none if the job names no bench."""
    bench = job.bench
    profiles = {} if bench is None else {name: _load_profile(bench, name, folder) for name in bench.sources}
    return {name: each for name, each in profiles.items() if isinstance(each, GeneratorProfile)}


def _scope_of(job: Job, folder: Path) -> Profile | None:
    return None if job.bench is None else _load_profile(job.bench, "oscilloscope", folder)


def _undriven(job: Job, plan: Plan, generators: Mapping[str, GeneratorProfile]) -> list[Mistake]:
    """The checks of a plan that need what its generators can't do, with both outputs at once."""
    if job.bench is None or not generators:
        return []
    name, profile = job.bench.generator.profile, next(iter(generators.values()))
    two = len(generators) > 1
    messages: dict[str, str] = {}
    if two or profile.commands.phase is None:
        antiphase = {each.number for each in plan.acquisitions if each.stimulus.kind == "antiphase"}
        why = "two generators share no clock" if two else f"{name} has no command for the phase"
        message = f"needs hot and cold in antiphase at one frequency; {why}"
        messages |= dict.fromkeys(_checks_of(plan, antiphase), message)
    if two or not profile.independent_frequencies:
        pairs = {each.number for each in plan.changes if each.stimulus.kind == "pair"}
        why = "two generators share no clock" if two else f"{name} has one frequency"
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
        wrong.append(("level", profile.level_lost(stimulus.level_vrms * sqrt(2.0))))
        for key, message in wrong:
            if message:
                messages |= dict.fromkeys(_checks_of(plan, {number}), (key, message))
    for index, check in enumerate(job.sequence.checks, start=1):
        if check.name in messages:
            key, message = messages[check.name]
            yield _of_check(index, check, key, message)


def _checks_of(plan: Plan, captures: set[int]) -> list[str]:
    """The names of the checks that need one of these captures."""
    return [reading.key.check for reading in plan.readings if captures & set(reading.captures)]


def _of_few_inputs(path: Path, mistakes: Sequence[Mistake]) -> list[Mistake]:
    """What a scope that shows one port at a time can't measure, where checks lack a setup with two in view.

    path: of the bench file. No setup that the other mistakes ask for can be added for such a scope.
    """
    if not any(".at[" in mistake.key for mistake in mistakes):
        return []
    try:
        bench = load_bench(path)
    except JobError:
        return []
    scopes = [each for each in _load_profiles(bench, path.parent)[0] if isinstance(each, OscilloscopeProfile)]
    if not scopes or scopes[0].inputs >= TWO_PORTS:
        return []
    message = (
        f"{bench.oscilloscope.profile} has {scopes[0].inputs} inputs and shows one port at a time. A check "
        "that needs two ports in view at once (a phase against the drive, crosstalk) is lost with it: leave "
        "that check out, or use a scope with four inputs"
    )
    return [Mistake(file="bench.toml", key="oscilloscope.profile", message=message)]


def impedances_of(job: Job, bench_file: Path | None) -> BenchImpedances:
    """What the bench's instruments load the module with; the usual impedances if the job names no bench.

    Raises JobError for what the bench's instruments cannot do.
    """
    if job.bench is None:
        return BenchImpedances()
    return check_bench(job, job.bench, profile_folder(job, bench_file))


def profile_folder(job: Job, bench_file: Path | None) -> Path:
    """Where a person's own instrument profiles are looked for: beside the bench file in use."""
    return job.folder if bench_file is None else bench_file.parent


def setups_of(plan: Plan) -> tuple[Setup, ...]:
    """Every setup of a plan in its order, the through setups first."""
    return (*plan.throughs, *(visit.setup for visit in plan.visits))


def made_by_hand(plan: Plan) -> str:
    """The names of the setups whose leads a person moves; "" if there are none."""
    return ", ".join(repr(setup.name) for setup in setups_of(plan) if setup.select is None)


def recorded_plan(record: RunRecord) -> PlannedJob:
    """A run's job as it was recorded, planned. Raises RecordsError if its files no longer read."""
    job = recorded_job(record)
    impedances, generators, notes = _recorded_bench(job, record.header)
    plan = trial_plan(job, impedances=impedances)
    return PlannedJob(job=job, plan=plan, notes=(*notes, *_notes(plan, generators)))


def _profile_mistakes(path: Path) -> list[Mistake]:
    """What is wrong with the profiles of a bench file; nothing if the file itself is wrong or missing."""
    try:
        bench = load_bench(path)
    except JobError:
        return []
    located = read_located(path.read_text(encoding="utf-8-sig"))
    mistakes: list[Mistake] = []
    for instrument in bench.profiles:
        try:
            _load_profile(bench, instrument, path.parent)
        except JobError as error:
            named, line = f"{role_of(instrument)}.profile", located.line((*key_of(instrument), "profile"))
            mistakes += [replace(each, line=line) if each.key == named else each for each in error.mistakes]
    return mistakes


@contextmanager
def _profiles(header: RunHeader) -> Iterator[Path]:
    """A folder with a person's own profiles of a run: as recorded with it, or where they were read then."""
    recorded = header.files[len(JOB_FILES) :]
    if not recorded:
        yield Path(header.bench_file).parent if header.bench_file else Path(header.job_folder)
        return
    with TemporaryDirectory(prefix="switchwalk-") as folder:
        for file in recorded:
            if not NAME.fullmatch(file.name):  # records are trusted no more than other files
                raise RecordsError(f"{file.name!r} is kept with the run as a profile, and is no name of one")
            (Path(folder) / file.name).write_text(file.text, encoding="utf-8")
        yield Path(folder)


def _recorded_bench(
    job: Job, header: RunHeader
) -> tuple[BenchImpedances, dict[str, GeneratorProfile], tuple[str, ...]]:
    """What the recorded bench loads the unit with, and its generators' profiles; one's own are in the run.

    Runs of earlier versions lack them. If one is no longer beside the bench file either, the usual impedances
    are taken, with a note.
    """
    if job.bench is None:
        return BenchImpedances(), {}, ()
    try:
        with _profiles(header) as folder:
            return check_bench(job, job.bench, folder), _generators_of(job, folder), ()
    except JobError as error:
        usual = BenchImpedances()
        note = (
            f"The bench's profiles are not at hand ({error.mistakes[0].message}), so "
            f"sources of {usual.source_ohm:g} ohm and inputs of {usual.input_ohm / 1e6:g} Mohm are taken."
        )
        return usual, {}, (note,)
