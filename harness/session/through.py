"""The through stage: leads proven at a low level, then the bench's own gain, tone by tone.

The bench's noise and harmonics are measured in the same setup, and subtracted from the unit's readings.
"""

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import sqrt

import numpy as np

from harness.circuit.predict import Prediction
from harness.errors import ProfileMismatch, ReadingError, SettingRefused, SetupError
from harness.job.fixture import Setup
from harness.job.state import UNPOWERED_STATE
from harness.measure.captures import pick_range
from harness.measure.own_noise import OwnNoise
from harness.measure.reference import (
    BenchResiduals,
    Key,
    Reference,
    ToneReference,
    harmonics_of,
    with_common_spread,
)
from harness.measure.residuals import Harmonics
from harness.measure.swapped_through import contradictions, swapped_in_pairs, with_swapped
from harness.measure.through import (
    Rung,
    Shot,
    drift,
    ladder_rungs,
    measure_offsets,
    rungs_up,
    tone_reference,
)
from harness.measure.tones import Stimulus
from harness.plan.model import Plan
from harness.roles import Capture
from harness.session.context import RunContext
from harness.session.events import Remark, SetupBegun
from harness.session.recorder import CaptureRequest, FittedCapture, RawCapture
from harness.session.supply_watch import LATEST_S
from harness.session.through_signal import LOW_LEVEL_VRMS, lead_problems, profile_problem

PURPOSE = "through reference"


def _request(
    setup: Setup, stimulus: Stimulus, peaks_v: Mapping[int, float], purpose: str = PURPOSE
) -> CaptureRequest:
    state = UNPOWERED_STATE
    return CaptureRequest(setup=setup, state=state, stimulus=stimulus, peaks_v=peaks_v, purpose=purpose)


def lacks(residuals: BenchResiduals, plan: Plan) -> bool:
    """Whether a residual is missing that the plan's quantities subtract."""
    known = {(hz, volts) for (hz, volts, _), found in residuals.harmonics.items() if found}
    return any(
        (stimulus.frequency_hz, stimulus.level_vrms) not in known
        if stimulus.has_tone
        else not residuals.noise
        for stimulus in plan.bench_stimuli
    )


def _take_residuals(context: RunContext, setup: Setup) -> BenchResiduals:
    """Record the bench's own noise and harmonics under the plan's stimuli, in the through setup.

    Both are others on every range, so they are recorded on all those that a unit's records are likely to be
    taken on.
    """
    noise: list[OwnNoise] = []
    harmonics: dict[Key, tuple[Harmonics, ...]] = {}
    for stimulus in context.plan.bench_stimuli:
        context.drive.apply(stimulus)
        if stimulus.has_tone:
            _add_harmonics(context, setup, stimulus, harmonics)
        else:
            noise += _own_noise(context, setup, stimulus)
    context.drive.silence()
    return BenchResiduals(noise=tuple(noise), harmonics=harmonics)


def _own_noise(context: RunContext, setup: Setup, stimulus: Stimulus) -> Iterator[OwnNoise]:
    """On every range on which a quiet port may be recorded."""
    inputs = _through_inputs(context, setup)
    request = _request(setup, stimulus, {}, "bench alone")
    for volts_per_division in context.bench.oscilloscope.volts_per_division:
        if volts_per_division <= COARSEST_NOISE_V:
            raw = context.recorder.capture_at(request, dict.fromkeys(inputs, volts_per_division))
            yield OwnNoise.of(raw.capture)


def _add_harmonics(
    context: RunContext, setup: Setup, stimulus: Stimulus, harmonics: dict[Key, tuple[Harmonics, ...]]
) -> None:
    """On the tone's own range and on those beside it; on finer ones the tone is as much lower."""
    inputs = _through_inputs(context, setup)
    peaks_v = dict.fromkeys(inputs, stimulus.level_vrms / sqrt(2.0))
    own = context.recorder.take(_request(setup, stimulus, peaks_v, "bench alone")).capture
    captures = [own]
    settings = context.bench.oscilloscope.volts_per_division
    drive_v = own.setting.inputs[own.inputs[0]].volts_per_division
    index = min(range(len(settings)), key=lambda each: abs(settings[each] - drive_v))
    for number in range(max(index - RANGES_BESIDE, 0), min(index + RANGES_BESIDE + 1, len(settings))):
        share = min(settings[number] / drive_v, 1.0)
        if number == index or share * stimulus.level_vrms < LOW_LEVEL_VRMS:
            continue
        lower = replace(stimulus, level_vrms=share * stimulus.level_vrms)
        context.drive.apply(lower)
        request = _request(setup, lower, {}, "bench alone")
        captures.append(context.recorder.capture_at(request, dict.fromkeys(inputs, settings[number])).capture)
    for pair in range(len(own.inputs) // 2):
        key = (stimulus.frequency_hz, stimulus.level_vrms, pair)
        found = [_harmonics(capture, pair, stimulus) for capture in captures]
        harmonics[key] = tuple(one for one in found if one is not None)


def _harmonics(capture: Capture, pair: int, stimulus: Stimulus) -> Harmonics | None:
    """None of a record without a tone: its readings then say that nothing could be subtracted."""
    try:
        return harmonics_of(capture, (2 * pair, 2 * pair + 1), stimulus)
    except ReadingError:
        return None


def _through_inputs(context: RunContext, setup: Setup) -> range:
    """Inputs that the through setup feeds: the pairs it names, else as many as any other setup views."""
    pairs = len(setup.view) or max(len(other.view) for other in context.job.fixture.setups)
    return range(1, 2 * pairs + 1)


CORRECTIONS = 2  # by hands, before leads that are still wrong end it
SWITCHED_AGAIN = 1  # of a switchboard whose connections are wrong at first: it may be late once
REPEATS = 3  # captures at the drive level: their spread is the reference's repeatability
WEAKEST_LIVE = 1e-4  # of the drive: below this a leg's gain accuracy is not what limits a reading
RUNG_SHARES = (1.0, 0.5, 0.25)  # of the level that fills the finer range, tried in turn
BOUNDS_ONLY = "noise and distortion get only upper bounds"
COARSEST_NOISE_V = 0.05  # per division; a quiet port is recorded on this range or on a finer one
RANGES_BESIDE = 2  # finer, and coarser: units of 12 dB more or less
COARSEST_ZERO_V = 0.1  # per division; offsets are read on this range and every finer one


def take_reference(context: RunContext) -> Reference | None:
    """Make the through setups, prove their leads and measure the bench; None if the fixture has none.

    Raises SetupError for a lead that is surely wrong: nothing has been driven above the low level then. And
    for a setup with swapped inputs that contradicts the straight one.
    """
    setup, swapped = context.plan.through, context.plan.swapped_through
    if setup is None or not (context.plan.stimuli or context.plan.acquisitions):
        context.observe(Remark(text=_why_no_reference(context)))
        return None
    try:
        reference = _reference_in(context, setup)
        if swapped is not None and context.plan.stimuli:
            setup = swapped  # which an error is of from here on
            reference = _with_swapped(context, swapped, reference)
    except ReadingError as error:  # nothing of the unit is connected in the through setup
        raise SetupError(f"setup {setup.name!r}: {error}", instrument="the wiring") from error
    text = "through reference taken: the leads are right, and the bench's own gain is removed"
    if reference.tones and reference.tones[0].swapped is not None:
        text += ", with the ratio of the two inputs of each pair"
    context.observe(Remark(text=text))
    return reference


def _make(context: RunContext, setup: Setup) -> None:
    """Make a through setup and prove its leads."""
    context.observe(SetupBegun(setup=setup, number=0, total=len(context.plan.visits)))
    if setup.select is None:
        context.make_safe()
        context.hands.make(setup)
    context.set_state(setup, UNPOWERED_STATE)
    if context.plan.stimuli:
        _prove_until_right(context, setup)


def _reference_in(context: RunContext, setup: Setup) -> Reference:
    _make(context, setup)
    tones = [_tone_reference(context, setup, stimulus) for stimulus in context.plan.stimuli]
    offsets = measure_offsets([(fitted.capture, fitted.fit) for fitted in _zeros(context, setup)])
    residuals = _take_residuals(context, setup)
    context.drive.silence()
    return Reference(
        taken_s=time.time(),
        instruments=instruments_of(context),
        tones=with_common_spread(tones),
        offsets=offsets,
        residuals=residuals,
    )


def _with_swapped(context: RunContext, setup: Setup, reference: Reference) -> Reference:
    """Read every tone once with the inputs of each pair swapped, on the drive ranges.

    Half of the ratio's error is that of the straight setup, so more records would tell little more.
    Raises ReadingError for a record that can't be used, SetupError for one that contradicts the straight
    setup.
    """
    _make(context, setup)
    tones = []
    for stimulus, tone in zip(context.plan.stimuli, reference.tones, strict=True):
        context.drive.apply(stimulus)
        ranges = {number: tone.drive_range(number) for number in swapped_in_pairs(tone.inputs)}
        fitted = context.recorder.fit(context.recorder.capture_at(_request(setup, stimulus, {}), ranges))
        for problem in fitted.refusals(tone.inputs):
            raise ReadingError(problem.sentence)
        tones.append(with_swapped(tone, [_shot(fitted, stimulus.level_vrms)]))
    context.drive.silence()
    known = with_common_spread(tones)
    if found := "; ".join(contradictions(known)):
        raise SetupError(
            f"setup {setup.name!r}: {found}. Look at both through setups. This is not a fault of the unit",
            instrument="the wiring",
        )
    return replace(reference, tones=known)


def instruments_of(context: RunContext) -> tuple[str, ...]:
    """Identities of generator and scope, which a reference is of."""
    return context.bench.generator.identity.text, context.bench.oscilloscope.identity.text


def kept_reference(context: RunContext, kept: Reference) -> Reference | None:
    """The kept reference if it is valid for this bench now, and has every tone that the plan uses."""
    if not kept.serves(time.time(), instruments_of(context)):
        context.observe(Remark(text="the kept through reference has expired or is another bench's: not used"))
        return None
    for stimulus in context.plan.stimuli:
        emf_vrms = (stimulus.level_vrms / 2, stimulus.level_vrms / 2)
        if kept.at(stimulus.tones.frequencies_hz, emf_vrms) is None:
            context.observe(Remark(text=f"the kept through reference has nothing at {stimulus}: not used"))
            return None
    if context.plan.swapped_through and any(tone.swapped is None for tone in kept.tones):
        text = "the kept through reference has nothing of swapped inputs: not used"
        context.observe(Remark(text=text))
        return None
    minutes = (time.time() - kept.taken_s) / 60
    context.observe(
        Remark(
            text=f"kept through reference, {minutes:.0f} minutes old: the leads are not checked again"
            + (f"; {BOUNDS_ONLY}" if lacks(kept.residuals, context.plan) else "")
        )
    )
    return kept


SURE = 4.0  # standard uncertainties: of some eight inputs, none moves that far by chance
LEAST_DB = 0.1  # less is a bench that warms up, and fails no unit: common practice, no source
TURNED_DEG = 20.0  # between two inputs of one leg: what no lead does at an audio frequency


def have_through_made_again(context: RunContext, setup: Setup) -> None:
    """Ask hands for the through setup once more."""
    text = (
        "some readings failed. Make the through setup once more: it shows whether the bench has changed "
        "since the run began"
    )
    context.observe(Remark(text=text))
    context.make_safe()
    context.hands.make(setup)


def bench_moved(
    context: RunContext, reference: Reference, *, least_db: float = LEAST_DB, sure: float = SURE
) -> str:
    """What has changed at the bench since its through reference was taken; "" if nothing has.

    A quick look at the first tone of the plan, in the through setup, which hands have made again if no
    channels do. least_db, sure: a smaller change, or one of fewer standard uncertainties, is none.
    """
    setup = context.plan.through
    if setup is None or not context.plan.stimuli:
        return ""
    stimulus = context.plan.stimuli[0]
    emf_vrms = (stimulus.level_vrms / 2, stimulus.level_vrms / 2)
    before = reference.at(stimulus.tones.frequencies_hz, emf_vrms)
    if before is None:
        return ""
    context.set_state(setup, UNPOWERED_STATE)
    try:
        if setup.select is None:  # a person has just made it, perhaps wrongly
            _prove_until_right(context, setup)
        else:  # what is wrong now may have been wrong while the unit was measured
            _prove_leads(context, setup)
        prediction = context.predict(setup, UNPOWERED_STATE, stimulus)
        shots = [
            _shot(context.recorder.fit(_capture(context, setup, stimulus, prediction)), stimulus.level_vrms)
            for _ in range(REPEATS)
        ]
        now = tone_reference(shots, [], through_prediction=prediction.transfer, identity="through again")
    except (SetupError, ProfileMismatch, ReadingError) as error:
        return str(error)
    finally:
        context.drive.silence()
    turned_deg = np.degrees(np.abs(np.angle(np.divide(now.source, before.source))))
    if turned_deg.max() > TURNED_DEG:
        number = now.inputs[int(turned_deg.argmax())]
        return f"input {number} has turned by {turned_deg.max():.0f} degrees"
    for moved in drift(replace(reference, tones=(now,)), replace(reference, tones=(before,))):
        if abs(moved.change_db) > max(least_db, sure * moved.standard_db):
            return (
                f"input {moved.input} shows the generator {moved.change_db:+.2f} dB from what it showed in "
                "the through reference"
            )
    return ""


def _why_no_reference(context: RunContext) -> str:
    lost = f"the scope's gain accuracy is part of every reading, the leads are not checked, and {BOUNDS_ONLY}"
    if any(setup.through for setup in context.job.fixture.setups):
        return f"no through reference: {lost}"
    return f"no through setup in fixture.toml: {lost}. Add a [[setup]] with through = true"


def low_stimulus(context: RunContext) -> Stimulus:
    """The first tone of the plan, at a level that no contact film minds."""
    return replace(context.plan.stimuli[0], level_vrms=LOW_LEVEL_VRMS)


def _prove_until_right(context: RunContext, setup: Setup) -> None:
    """Prove the leads. If that fails, hands correct what they made, or the board switches once more."""
    for _ in range(CORRECTIONS if setup.select is None else SWITCHED_AGAIN):
        try:
            return _prove_leads(context, setup)
        except SetupError as error:
            context.drive.silence()
            if setup.select is None:
                context.observe(Remark(text=str(error)))
                context.hands.correct(setup, (), str(error))
            else:
                context.observe(Remark(text=f"{error}. All channels are opened and switched once more"))
                context.make_safe()
                context.set_state(setup, UNPOWERED_STATE)
                context.wait_until(time.monotonic() + LATEST_S)
    return _prove_leads(context, setup)


def _prove_leads(context: RunContext, setup: Setup) -> None:
    stimulus = low_stimulus(context)
    prediction = context.predict(setup, UNPOWERED_STATE, stimulus)
    fitted = context.recorder.fit(_capture(context, setup, stimulus, prediction))
    problems = lead_problems(fitted.capture, stimulus, prediction)
    if problems:
        context.drive.set_again(stimulus)  # a generator that reads back another level is named first
        of_profile = profile_problem(context.bench.oscilloscope, fitted.capture, stimulus, prediction)
        if of_profile is not None:
            raise of_profile
        raise SetupError(
            f"setup {setup.name!r}: {'; '.join(problems)}. This is not a fault of the unit",
            instrument="the wiring",
        )


def _tone_reference(context: RunContext, setup: Setup, stimulus: Stimulus) -> ToneReference:
    prediction = context.predict(setup, UNPOWERED_STATE, stimulus)
    repeats: list[FittedCapture] = []
    for _ in range(REPEATS):
        raw = _capture(context, setup, stimulus, prediction)
        context.recorder.defer_fit(raw, repeats)
    drive_range = raw.capture.setting.inputs[raw.capture.inputs[0]].volts_per_division
    scope = context.bench.oscilloscope
    rungs = ladder_rungs(
        drive_range,
        scope.volts_per_division,
        scope.divisions,
        least_peak_v=context.bench.generator.amplitude_range_vpp[0] / 2,
    )
    finest, coarsest = _predicted_ranges(context, stimulus)
    ladder: list[Shot] = []
    for rung in rungs_up(
        drive_range,
        coarsest,
        scope.volts_per_division,
        scope.divisions,
        most_peak_v=context.bench.generator.amplitude_range_vpp[1] / 2,
    ):
        step = _climb(context, setup, stimulus, rung)
        if not step:
            break
        ladder += step
    for rung in rungs:
        if rung.finer_v_per_division < finest * 0.99:
            break
        step = _climb(context, setup, stimulus, rung)
        if not step:
            break
        ladder += step
    context.recorder.catch_up()
    return tone_reference(
        [_shot(fitted, stimulus.level_vrms) for fitted in repeats],
        ladder,
        through_prediction=prediction.transfer,
        identity=f"through at {stimulus}",
    )


def _climb(context: RunContext, setup: Setup, tone: Stimulus, rung: Rung) -> list[Shot]:
    """One level on the coarser and the finer range; nothing if even a low one overfills the finer.

    The generator's own DC is a good part of a sensitive range; an offset of the input takes it away.
    """
    for share in RUNG_SHARES:
        if 2 * share * rung.peak_v < context.bench.generator.amplitude_range_vpp[0]:
            break
        level_vrms = share * rung.peak_v * sqrt(2.0)
        stimulus = replace(tone, level_vrms=level_vrms)
        try:
            context.drive.apply(stimulus)
        except SettingRefused as error:
            context.observe(Remark(text=f"the through reference ends at {2 * rung.peak_v:.2g} Vpp: {error}"))
            return []
        request = _request(setup, stimulus, {})
        inputs = _through_inputs(context, setup)
        recorder, pair = context.recorder, list[FittedCapture]()
        coarser = recorder.capture_at(request, dict.fromkeys(inputs, rung.coarser_v_per_division))
        recorder.defer_fit(coarser, pair)
        means_v = coarser.capture.volts.mean(axis=1)  # whole cycles leave nothing of a tone in it
        centres_v = dict(zip(inputs, map(float, means_v), strict=True))
        finer = recorder.capture_at(request, dict.fromkeys(inputs, rung.finer_v_per_division), centres_v)
        pair.append(recorder.fit(finer))
        if not any(fitted.refusals(inputs) for fitted in pair):
            return [_shot(fitted, level_vrms) for fitted in pair]
    return []


def _zeros(context: RunContext, setup: Setup) -> list[FittedCapture]:
    """What each input reads without a signal, on every range that an offset may be read on."""
    silent = [each.stimulus for each in context.plan.acquisitions if each.stimulus.kind == "silence"]
    if not silent:
        return []
    context.drive.silence()
    request = _request(setup, silent[0], {})
    inputs = _through_inputs(context, setup)
    fitted: list[FittedCapture] = []
    for volts_per_division in context.bench.oscilloscope.volts_per_division:
        if volts_per_division <= COARSEST_ZERO_V:
            raw = context.recorder.capture_at(request, dict.fromkeys(inputs, volts_per_division))
            context.recorder.defer_fit(raw, fitted)
    context.recorder.catch_up()
    return fitted


def _predicted_ranges(context: RunContext, stimulus: Stimulus) -> tuple[float, float]:
    """The finest and the coarsest range on which the plan predicts a signal, as opposed to its absence."""
    peak_v = stimulus.level_vrms / sqrt(2.0)
    levels = [1.0]
    for acquisition in context.plan.acquisitions:
        if acquisition.stimulus == stimulus:
            predicted = abs(context.plan.predictions[acquisition.number].transfer).sum(axis=1)
            levels += [float(level) for level in predicted if level > WEAKEST_LIVE]
    scope = context.bench.oscilloscope
    finest, coarsest = (
        pick_range(level * peak_v, scope.volts_per_division, scope.divisions)
        for level in (min(levels), max(levels))
    )
    return finest, coarsest


def _capture(context: RunContext, setup: Setup, stimulus: Stimulus, prediction: Prediction) -> RawCapture:
    context.drive.apply(stimulus)
    peak_v = stimulus.level_vrms / sqrt(2.0)
    levels = abs(prediction.transfer).sum(axis=1)
    inputs: Sequence[int] = range(1, len(levels) + 1)
    if setup.inputs_swapped:
        inputs = swapped_in_pairs(inputs)
    peaks_v = {number: float(level) * peak_v for number, level in zip(inputs, levels, strict=True)}
    return context.recorder.capture(_request(setup, stimulus, peaks_v))


def _shot(fitted: FittedCapture, level_vrms: float) -> Shot:
    return Shot(capture=fitted.capture, fit=fitted.fit, emf_vrms=(level_vrms / 2, level_vrms / 2))
