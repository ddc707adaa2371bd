"""A whole profile tried on its instrument, alone and beside another one."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from drivers.balanced_generator import BalancedGenerator
from drivers.bench import Opening
from drivers.boards.switchboard import Channels
from drivers.boards.switchboard_banks import Banks
from drivers.by_hand import HandSupply
from drivers.generator_and_supply import ScpiGenerator, ScpiSupply
from drivers.generator_pair import GeneratorPair
from drivers.models.sources import GeneratorProfile, HandSupplyProfile, SupplyProfile
from drivers.models.switchboards import BoardProfile
from drivers.profile import OscilloscopeProfile, Profile
from drivers.scope.oscilloscope import ScpiOscilloscope
from harness.bench_file import (
    GeneratorFile,
    InstrumentFile,
    OscilloscopeFile,
    SupplyFile,
    SwitchboardFile,
)
from harness.errors import UsageError
from harness.session.profile_trials.alone import try_generator, try_scope, try_supply, try_switchboard
from harness.session.profile_trials.cables import CabledPair, try_together
from harness.session.profile_trials.trial import ProfileTrial, line_keys

PAIR = {"generator", "oscilloscope"}
Opened = (
    ScpiGenerator
    | GeneratorPair
    | BalancedGenerator
    | ScpiSupply
    | HandSupply
    | ScpiOscilloscope
    | Channels
    | Banks
)


@dataclass(frozen=True, kw_only=True)
class ProfileAt:
    """A profile, its name, and the address of an instrument that it is for."""

    name: str
    address: str
    profile: Profile

    @property
    def file(self) -> InstrumentFile:
        """What a bench file would say of the instrument, with leads that divide nothing."""
        match self.profile.role:
            case "generator":
                return GeneratorFile(address=self.address, profile=self.name)
            case "oscilloscope":
                return OscilloscopeFile(address=self.address, profile=self.name, gain_accuracy=0.03)
            case "supply":
                return SupplyFile(address=self.address, profile=self.name)
            case _:
                return SwitchboardFile(address=self.address, profile=self.name)


def files_of(subject: ProfileAt, beside: ProfileAt | None) -> Mapping[str, InstrumentFile]:
    """The instruments to open, by role. Raises UsageError for what can't be tried, or not together."""
    if isinstance(subject.profile, HandSupplyProfile):
        raise UsageError(f"{subject.name}: a supply without an interface: there is nothing to try")
    files = {subject.profile.role: subject.file}
    if beside is not None:
        refuse_beside(beside, name=subject.name, role=subject.profile.role, address=subject.address)
        files[beside.profile.role] = beside.file
    return files


def refuse_beside(beside: ProfileAt, *, name: str, role: str, address: str) -> None:
    """Raise UsageError for an instrument that can't stand beside one of this profile, role and address."""
    if {role, beside.profile.role} != PAIR:
        raise UsageError(
            f"--beside {beside.name}: only a generator and an oscilloscope see each other; "
            f"{name} is for a {role}, {beside.name} for a {beside.profile.role}"
        )
    if address == beside.address:
        raise UsageError(f"--beside {beside.name}: has the address of {name}; expected another")


class ProfileCheck:
    """Tries a profile at instruments that are claimed, and off.

    understood: whether the instrument reports commands that it does not know; known after the first trial.
    """

    def __init__(self, opening: Opening, subject: ProfileAt, beside: ProfileAt | None) -> None:
        self._opening, self._subject, self._beside = opening, subject, beside
        self.understood = False

    def trials(self) -> Iterator[ProfileTrial]:
        """Everything that is tried, in its order. Raises BenchError at the first that fails."""
        opening, profile = self._opening, self._subject.profile
        if profile.answer is not None:  # each command is then answered, or refused
            self.understood = True
        elif profile.role != "switchboard":
            self.understood = opening.reports_unknown(profile.role)
        instrument = self._open(profile)
        yield self._identified(instrument.identity.text)
        match instrument, profile:
            case ScpiGenerator(), GeneratorProfile():
                yield from try_generator(instrument, profile)
            case ScpiSupply(), SupplyProfile():
                yield from try_supply(instrument, profile)
            case ScpiOscilloscope(), OscilloscopeProfile():
                yield from try_scope(instrument, profile)
            case Channels(), BoardProfile():
                yield from try_switchboard(instrument, profile)
        if self._beside is not None:
            yield from self._together(instrument, self._open(self._beside.profile))

    def _open(self, profile: Profile) -> Opened:
        opening = self._opening
        match profile.role:
            case "generator":
                return opening.generator()
            case "oscilloscope":
                return opening.oscilloscope()
            case "supply":
                return opening.supply()
            case _:
                return opening.switchboard()

    def _identified(self, identity: str) -> ProfileTrial:
        profile, proves = self._subject.profile, []
        message = f"answers as {identity!r}" if profile.identity_fields else "it gives no identity"
        if profile.identity_fields:
            proves.append("identity_fields")
        if profile.identity_fields or profile.answer is not None or profile.echoes:
            proves += line_keys(profile)
        if profile.answer is not None:
            message += f"; it answers commands by {profile.answer!r}"
        elif self.understood:
            proves.append("error_query")
            message += "; it reports a command that it does not know"
        elif profile.error_query and profile.role != "switchboard":
            message += "; it does not report a command that it can't know, so that its silence proves nothing"
        return ProfileTrial(what="connection", message=message, proves=tuple(proves))

    def _together(self, instrument: object, other: object) -> Iterator[ProfileTrial]:
        profiles = {each.profile.role: each.profile for each in (self._subject, self._beside) if each}
        of_generator, of_scope = profiles["generator"], profiles["oscilloscope"]
        generator, scope = sorted((instrument, other), key=lambda each: isinstance(each, ScpiOscilloscope))
        if (
            isinstance(generator, ScpiGenerator)
            and isinstance(scope, ScpiOscilloscope)
            and isinstance(of_generator, GeneratorProfile)
            and isinstance(of_scope, OscilloscopeProfile)
        ):
            pair = CabledPair(generator=generator, of_generator=of_generator, scope=scope, of_scope=of_scope)
            yield from try_together(pair)
