"""The names of single faults that a unit, its connectors or its loopback plugs can have.

Names only: the circuit and the simulator apply them, each in its own way. A name is short and stable, because
records and the command line use it: `K3 never operates`, `left.out.cold open`. Several at once are joined
by ` + `.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from itertools import combinations, pairwise
from typing import Literal

from harness.errors import UsageError, nearest
from harness.job.fixture import Fixture, channels_of
from harness.job.module import LEGS, WINDINGS, Amplifier, Leg, Module, Part, Relay, ThrowName, Transformer
from harness.job.suspects import read_suspect
from harness.units import format_value, parse_quantity

FaultKind = Literal[
    "relay never operates",  # stays released though its coil draws current
    "relay always operated",  # stays operated, with or without current
    "coil open",  # released (a latching relay with a single coil: stays reset), and draws nothing
    "coil open, set",  # such a latching relay that stays set
    "coil shorted",  # released, and takes what the supply gives
    "switch stuck off",  # an electronic switch, whatever its control line does
    "switch stuck on",
    "set coil open",  # of a latching relay: stays reset, and draws nothing in the pulse
    "reset coil open",  # stays set from the first time on
    "set coil shorted",  # takes what the supply gives in the pulse, and moves nothing
    "reset coil shorted",
    "relay slow to operate",  # several times slower than any good one
    "relay slow to release",
    "relay long bounce",
    "pole stuck released",  # one pole of a relay whose others move
    "pole stuck operated",
    "throw stuck open",  # never conducts
    "throw stuck closed",  # conducts in either position
    "throw resistance",  # conducts when closed, through `resistance_ohm`
    "throw intermittent",  # now and then does not conduct, from one operation to the next: `chance` of each
    "winding open",  # of a transformer
    "winding shorted",  # at its ends, or between its turns: it takes the whole core's flux
    "amplifier dead",  # both legs of its output, or one, are at 0 V behind their output resistance
    "leg open",  # one pin of a port's connector; the module and the outside are no longer joined there
    "leg grounded",
    "legs swapped",  # hot and cold swapped at a port's connector
    "legs shorted",  # to each other
    "channels bridged",  # the same leg of two channels joined at a port's connector
    "channels swapped",  # both legs of a port swapped between two channels
    "control line dead",  # energising it does nothing
    "control lines swapped",
    "loopback missing",  # the loopback plug of one channel is not in
    "loopback straight",  # a straight plug in place of another
    "loopback legs swapped",  # the plug's hot path ends on the cold pin, and the reverse
    "loopback channels swapped",  # each of the two channels has the other's plug
    "part open",
    "part shorted",
    "part tenfold",  # ten times its value
    "part a tenth",
    # of a person's own, see `suspects`
    "nets bridged",
    "part left out",
    "relay left out",
    "transformer left out",
    "part value",
    "parts swapped",
]

_TEMPLATES: dict[FaultKind, str] = {
    "relay never operates": "{subject} never operates",
    "relay always operated": "{subject} always operated",
    "coil open": "{subject} coil open",
    "coil open, set": "{subject} coil open, stays set",
    "coil shorted": "{subject} coil shorted",
    "switch stuck off": "{subject} stuck off",
    "switch stuck on": "{subject} stuck on",
    "set coil open": "{subject} set coil open",
    "reset coil open": "{subject} reset coil open",
    "set coil shorted": "{subject} set coil shorted",
    "reset coil shorted": "{subject} reset coil shorted",
    "relay slow to operate": "{subject} slow to operate",
    "relay slow to release": "{subject} slow to release",
    "relay long bounce": "{subject} long bounce",
    "pole stuck released": "{subject} stuck released",
    "pole stuck operated": "{subject} stuck operated",
    "throw stuck open": "{subject} {throw} stuck open",
    "throw stuck closed": "{subject} {throw} stuck closed",
    "throw resistance": "{subject} {throw} {resistance}",
    "throw intermittent": "{subject} {throw} intermittent{chance}",
    "leg open": "{channel}.{subject}.{leg} open",
    "leg grounded": "{channel}.{subject}.{leg} grounded",
    "legs swapped": "{channel}.{subject} legs swapped",
    "legs shorted": "{channel}.{subject} legs shorted",
    "channels bridged": "{subject}.{leg} bridged",
    "channels swapped": "{subject} channels swapped",
    "control line dead": "control line {subject} dead",
    "control lines swapped": "control lines {subject} and {other} swapped",
    "loopback missing": "{channel}.{subject} missing",
    "loopback straight": "{channel}.{subject} straight",
    "loopback legs swapped": "{channel}.{subject} legs swapped",
    "loopback channels swapped": "{subject} channels swapped",
    "part open": "{subject} open",
    "part shorted": "{subject} shorted",
    "part tenfold": "{subject} tenfold",
    "part a tenth": "{subject} a tenth",
    "winding open": "{subject} open",
    "winding shorted": "{subject} shorted",
    "amplifier dead": "{subject} dead",
    "nets bridged": "{subject} bridged to {other}",
    "part left out": "{subject} left out",
    "relay left out": "{subject} left out",
    "transformer left out": "{subject} left out",
    "part value": "{subject} {value}",
    "parts swapped": "{subject} and {other} swapped",
}
_BETWEEN: Mapping[FaultKind, str] = {  # of a module with more than two channels
    "channels bridged": "{channel}.{subject}.{leg} bridged to {other}",
    "channels swapped": "{channel}.{subject} swapped with {other}",
    "loopback channels swapped": "{channel}.{subject} swapped with {other}",
}
_EXCLUSIVE: tuple[frozenset[FaultKind], ...] = (
    frozenset(
        {
            "relay never operates",
            "relay always operated",
            "coil open",
            "coil open, set",
            "coil shorted",
            "relay left out",
        }
    ),
    frozenset({"switch stuck off", "switch stuck on"}),
    frozenset({"set coil open", "set coil shorted"}),
    frozenset({"reset coil open", "reset coil shorted"}),
    frozenset({"pole stuck released", "pole stuck operated"}),
    frozenset({"throw stuck open", "throw stuck closed", "throw resistance"}),
    frozenset({"winding open", "winding shorted"}),
    frozenset({"part open", "part shorted", "part tenfold", "part a tenth", "part left out", "part value"}),
    frozenset({"loopback missing", "loopback straight"}),
)
LISTED_RESISTANCES_OHM = (1.0, 10.0, 100.0)  # of a bad contact; any other may be asked for by name
ONE_RESISTANCE_OHM = (10.0,)  # to list a bad contact once, whatever it reads

USUAL_CHANCE = 1 / 3  # of an operation, unless the name of an intermittent contact says another
FAR_MATCH = 0.4  # likeness from which a name is worth offering if nothing is nearer
_CONTACT_FAULT = re.compile(
    r"(?P<pole>\S+) (?P<throw>released|operated) "
    r"((?P<resistance>[\d.]+ ?\S*)|intermittent(?P<chance> [\d.]+ ?\S*)?)"
)


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault. `subject` names what is wrong: a relay, a pole (`K1.1.hot`), a net, a line, a loopback, a
    part, a winding (`T1.primary`), an amplifier or one leg of its output (`U1.hot`).

    The other fields are set if the kind needs them: `channel`, `leg` of a port's or loopback's fault,
    `throw` of a pole's, `other` of a swap or a bridge, `resistance_ohm` of a bad contact, `chance` of an
    intermittent one, `value`, in `unit`, of a wrong part.
    """

    kind: FaultKind
    subject: str
    channel: str | None = None
    leg: Leg | None = None
    throw: ThrowName | None = None
    other: str | None = None
    resistance_ohm: float | None = None
    chance: float | None = None
    value: float | None = None
    unit: str = ""

    @property
    def name(self) -> str:
        """The fault's short stable name."""
        ohm = self.resistance_ohm
        chance = None if self.chance == USUAL_CHANCE else self.chance
        template = _TEMPLATES[self.kind]
        if self.kind in _BETWEEN and self.other is not None:
            template = _BETWEEN[self.kind]
        return template.format(
            subject=self.subject,
            channel=self.channel,
            leg=self.leg,
            throw=self.throw,
            other=self.other,
            resistance="" if ohm is None else format_value(ohm, "ohm"),
            chance="" if chance is None else f" {100 * chance:g} %",
            value="" if self.value is None else format_value(self.value, self.unit),
        )

    def __str__(self) -> str:
        return self.name


def single_faults(
    module: Module, fixture: Fixture, *, contact_ohm: Sequence[float] = LISTED_RESISTANCES_OHM
) -> tuple[Fault, ...]:
    """Every single fault of a job: relays, poles, connectors, control lines, plugs and parts, in that order.

    contact_ohm: the resistances of a bad contact; each contact is listed once with each of them.
    """
    return (
        *(fault for relay in module.relays for fault in _relay_faults(relay, contact_ohm)),
        *_port_faults(module),
        *_control_faults(module),
        *_loopback_faults(module, fixture),
        *(fault for part in (*module.resistors, *module.capacitors) for fault in _part_faults(part)),
        *(fault for part in module.inductors for fault in _part_faults(part)),
        *(Fault(kind="part open", subject=link.name) for link in module.links),
        *(fault for transformer in module.transformers for fault in _winding_faults(transformer)),
        *(fault for amplifier in module.amplifiers for fault in _amplifier_faults(amplifier)),
    )


def timing_faults(module: Module) -> tuple[Fault, ...]:
    """Relays that operate or release too slowly, or bounce too long. No steady state shows these faults, so
    they are not among `single_faults`.
    """
    kinds: tuple[FaultKind, ...] = ("relay slow to operate", "relay slow to release", "relay long bounce")
    mechanical = [relay for relay in module.relays if not relay.type.is_electronic]
    return tuple(Fault(kind=kind, subject=relay.name) for relay in mechanical for kind in kinds)


def parse_fault(text: str, module: Module, fixture: Fixture) -> tuple[Fault, ...]:
    """Read one fault, or several joined by ` + `. Raises UsageError naming the nearest faults there are."""
    faults_known = (*single_faults(module, fixture), *timing_faults(module))
    known = {fault.name.casefold(): fault for fault in faults_known}
    faults: list[Fault] = []
    for part in re.split(r"\s\+\s", text.strip()):
        wanted = " ".join(part.split())
        fault = known.get(wanted.casefold()) or _contact_fault(wanted, module) or _own_fault(wanted, module)
        if fault is None:
            raise UsageError(_no_such_fault(wanted, tuple(known.values())))
        if fault in faults:
            raise UsageError(f'"{fault.name}" is listed twice in "{text}"; expected every fault once')
        other = next((other for other in faults if contradict(fault, other)), None)
        if other is not None:
            raise UsageError(f'"{other.name}" and "{fault.name}" contradict each other; expected one of them')
        faults.append(fault)
    return tuple(faults)


def contradict(fault: Fault, other: Fault) -> bool:
    """Whether the same thing can't have both faults."""
    same = replace(
        fault,
        kind=other.kind,
        resistance_ohm=other.resistance_ohm,
        chance=other.chance,
        value=other.value,
        unit=other.unit,
    )
    return same == other and any({fault.kind, other.kind} <= kinds for kinds in _EXCLUSIVE)


def _own_fault(wanted: str, module: Module) -> Fault | None:
    """A fault of a person's own; None if it is none."""
    own = read_suspect(wanted, module)
    if own is None:
        return None
    return Fault(kind=own.kind, subject=own.subject, other=own.other, value=own.value, unit=own.unit)


def _part_of(name: str) -> str:
    """`K1` of `K1.1.hot stuck released`, and the whole first word of what is no part's."""
    first = name.split(" ")[0]
    reference = first.split(".")[0]
    return reference if reference[-1:].isdigit() else first


def _no_such_fault(wanted: str, known: tuple[Fault, ...]) -> str:
    """Faults of the part that it names come first, then whatever is spelled nearly so."""
    names = [fault.name for fault in known]
    part = _part_of(wanted)
    own = [name for name in names if _part_of(name) == part]
    guess = nearest(wanted, own or names)
    close = [guess] if guess else []
    close += [name for name in get_close_matches(wanted, own, n=4, cutoff=0.0) if name not in close]
    if not close:
        close = get_close_matches(wanted, names, n=3, cutoff=FAR_MATCH)
    example = ", ".join(close) if close else f"one such as {names[0]}"
    if guess and len(close) == 1:
        return f'no such fault: "{wanted}"; did you mean {guess}?'
    return f'no such fault: "{wanted}"; expected {"one of " if len(close) > 1 else ""}{example}'


def _contact_fault(wanted: str, module: Module) -> Fault | None:
    """Read `K1.1.hot released 2 ohm`, for any resistance, or `K1.1.hot operated intermittent 10 %`, for any
    chance; None if it is neither, or the module has no such throw.
    """
    match = _CONTACT_FAULT.fullmatch(wanted)
    if match is None:
        return None
    poles = (pole for relay in module.relays for pole in relay.poles)
    pole = next((pole for pole in poles if pole.name.casefold() == match["pole"].casefold()), None)
    throw: ThrowName = "released" if match["throw"] == "released" else "operated"
    if pole is None or throw not in pole.throws:
        return None
    try:
        if match["resistance"]:
            ohm = parse_quantity(match["resistance"], "resistance")
            return Fault(kind="throw resistance", subject=pole.name, throw=throw, resistance_ohm=ohm)
        chance = parse_quantity(match["chance"].strip(), "fraction") if match["chance"] else USUAL_CHANCE
    except ValueError as error:
        raise UsageError(f'fault "{wanted}": {error}') from None
    if not 0 < chance <= 1:
        raise UsageError(f'fault "{wanted}": found {100 * chance:g} %; expected over 0 % and up to 100 %')
    return Fault(kind="throw intermittent", subject=pole.name, throw=throw, chance=chance)


def _relay_faults(relay: Relay, contact_ohm: Sequence[float]) -> Iterator[Fault]:
    kinds: tuple[FaultKind, ...] = ("relay never operates", "relay always operated")
    if relay.type.is_electronic:
        kinds = ("switch stuck off", "switch stuck on")
    elif relay.latches and not relay.single_coil:
        kinds += ("set coil open", "reset coil open", "set coil shorted", "reset coil shorted")
    else:
        kinds += ("coil open", "coil open, set") if relay.latches else ("coil open",)
        kinds += ("coil shorted",)
    yield from (Fault(kind=kind, subject=relay.name) for kind in kinds)
    for pole in relay.poles:
        if not relay.type.is_electronic:
            yield Fault(kind="pole stuck released", subject=pole.name)
            yield Fault(kind="pole stuck operated", subject=pole.name)
        for throw in pole.throws:
            yield Fault(kind="throw stuck open", subject=pole.name, throw=throw)
            yield Fault(kind="throw stuck closed", subject=pole.name, throw=throw)
            for ohm in contact_ohm:
                yield Fault(kind="throw resistance", subject=pole.name, throw=throw, resistance_ohm=ohm)


def _port_faults(module: Module) -> Iterator[Fault]:
    for port in module.ports:
        its = tuple(channel for channel in module.channels if port.is_in(channel))
        for channel in its:
            for leg in LEGS:
                yield Fault(kind="leg open", subject=port.net, channel=channel, leg=leg)
                if leg in port.legs:
                    yield Fault(kind="leg grounded", subject=port.net, channel=channel, leg=leg)
            yield Fault(kind="legs swapped", subject=port.net, channel=channel)
            if not port.unbalanced:  # else it is the hot leg that is grounded
                yield Fault(kind="legs shorted", subject=port.net, channel=channel)
        for one, other in _pairs(its, module):
            for leg in port.legs:
                yield Fault(kind="channels bridged", subject=port.net, channel=one, leg=leg, other=other)
            yield Fault(kind="channels swapped", subject=port.net, channel=one, other=other)


def _pairs(channels: tuple[str, ...], module: Module) -> Iterable[tuple[str | None, str | None]]:
    """Neighbours among a module's channels; of a module with two it is clear which, and neither is named."""
    return [(None, None)] if channels == module.channels and len(channels) == 2 else pairwise(channels)


def _control_faults(module: Module) -> Iterator[Fault]:
    controls = module.control_names
    for control in controls:
        yield Fault(kind="control line dead", subject=control)
    for control, other in combinations(controls, 2):
        yield Fault(kind="control lines swapped", subject=control, other=other)


def _loopback_faults(module: Module, fixture: Fixture) -> Iterator[Fault]:
    for loopback in fixture.loopbacks.values():
        straight = loopback.legs is None and not loopback.pad_db
        for channel in channels_of(loopback, module):
            yield Fault(kind="loopback missing", subject=loopback.name, channel=channel)
            if not straight:
                yield Fault(kind="loopback straight", subject=loopback.name, channel=channel)
            yield Fault(kind="loopback legs swapped", subject=loopback.name, channel=channel)
        # plugs without legs of their own are the same in every channel
        for one, other in _pairs(channels_of(loopback, module), module) if loopback.legs is not None else ():
            yield Fault(kind="loopback channels swapped", subject=loopback.name, channel=one, other=other)


def _part_faults(part: Part) -> Iterator[Fault]:
    kinds: tuple[FaultKind, ...] = ("part open", "part shorted", "part tenfold", "part a tenth")
    yield from (Fault(kind=kind, subject=part.name) for kind in kinds)


def _amplifier_faults(amplifier: Amplifier) -> Iterator[Fault]:
    for subject in (amplifier.name, *(f"{amplifier.name}.{leg}" for leg in LEGS)):
        yield Fault(kind="amplifier dead", subject=subject)


def _winding_faults(transformer: Transformer) -> Iterator[Fault]:
    for winding in WINDINGS:
        yield Fault(kind="winding open", subject=f"{transformer.name}.{winding}")
        yield Fault(kind="winding shorted", subject=f"{transformer.name}.{winding}")
