"""A diagnosis in words, for the terminal, the report, another program, and the run's record."""

from dataclasses import dataclass
from typing import Any

from harness.faults.diagnosis import Diagnosis
from harness.faults.effects import FaultSet, comes_and_goes, suspect_name
from harness.faults.ranking import Group
from harness.faults.suggestions.probes import Probe
from harness.job.faults import Fault, FaultKind
from harness.job.fixture import Fixture
from harness.job.module import Module
from harness.quantities.registry import QUANTITIES
from harness.records.run import ExplainedGroup, Explanation, FaultsNamed
from harness.records.store import RunStore
from harness.units import counted, format_value

MOST_GROUPS = 3
MOST_FAULTS = 6  # of a group that are spelled out
LEAST = 0.005  # of the probability: less likely groups are not shown, unless nothing else is


_ADVICE: dict[FaultKind, str] = {
    "relay never operates": "never operates though its coil draws current: look for a stuck armature, or a "
    "bridge across its released contacts; otherwise replace the relay",
    "relay always operated": "stays operated in every state: look for welded contacts or a stuck armature; "
    "otherwise replace the relay",
    "coil open": "its coil draws no current, so it does not move: look at the coil pins' joints and their "
    "wires, then measure the coil",
    "coil open, set": "its coil draws no current, so it stays set: look at the coil pins' joints and their "
    "wires, then measure the coil",
    "coil shorted": "its coil, or the diode across it, is shorted: look for a reversed diode, then measure "
    "the coil with the relay out",
    "switch stuck off": "stays off whatever its control line does: look at its supply and control pins, then "
    "replace it",
    "switch stuck on": "stays on whatever its control line does: look for a bridge across it, then replace "
    "it",
    "set coil open": "its set coil draws no current, so it stays reset: look at the joints of the set coil's "
    "pins and their wires, then measure the coil",
    "reset coil open": "its reset coil draws no current, so it stays set: look at the joints of the reset "
    "coil's pins and their wires, then measure the coil",
    "set coil shorted": "its set coil, or the diode across it, is shorted: look for a reversed diode, then "
    "measure the coil with the relay out",
    "reset coil shorted": "its reset coil, or the diode across it, is shorted: look for a reversed diode, "
    "then measure the coil with the relay out",
    "relay slow to operate": "operates too late: look for a joint of some ohms at its coil, or a supply that "
    "sags; otherwise replace the relay",
    "relay slow to release": "releases too late: look at what is across its coil (a plain diode delays it "
    "most); otherwise replace the relay",
    "relay long bounce": "its contacts bounce too long: replace the relay",
    "pole stuck released": "stays released while the relay's other contacts move: replace the relay",
    "pole stuck operated": "stays operated while the relay's other contacts move: replace the relay",
    "throw stuck open": "the {throw} never conducts: look at its pins' joints and wires, then at the contact",
    "throw stuck closed": "the {throw} always conducts: look for a bridge across its pins, then for a welded "
    "contact",
    "throw intermittent": "the {throw} conducts after some operations and not after others: resolder its "
    "pins; if that doesn't help, replace the relay",
    "throw resistance": "about {resistance} in the {throw}: resolder its pins; if that doesn't help, the "
    "contact is worn or dirty",
    "control line dead": "energising it does nothing: look at its connector pin and the wire to the coils",
    "control lines swapped": "swapped: look at the two wires at the connector",
    "loopback missing": "not plugged in, or loose: look at the fixture",
    "loopback straight": "a straight plug in its place: look at the fixture",
    "loopback legs swapped": "hot and cold are swapped in it: look at the plug, then at the return's pins",
    "loopback channels swapped": "{one} and {other} are swapped: look at the fixture",
    "part open": "open: look at its joints, then measure it",
    "part shorted": "shorted: look for a bridge across it, then measure it",
    "part tenfold": "ten times what it should be: read its marking, then measure it",
    "part a tenth": "a tenth of what it should be: read its marking, then measure it",
    "winding open": "open: look at its joints, then measure its resistance",
    "winding shorted": "shorted, wholly or between its turns: look for a bridge across it, then measure its "
    "resistance",
    "amplifier dead": "dead: measure its supply pins, then look at its joints, then replace it",
    "leg open": "open at the connector: look at the pin's joint or crimp and its wire",
    "leg grounded": "at 0 V: look for a bridge or a whisker to pin 1 or the screen",
    "legs swapped": "hot and cold are swapped: look at the two wires at the connector",
    "legs shorted": "hot and cold are shorted to each other: look for a bridge at the connector",
    "channels bridged": "{one} and {other} are joined: look for a bridge between them",
    "channels swapped": "{one} and {other} are swapped: look at the wires or the connectors",
    "nets bridged": "joined: look for a bridge between them, at every part and contact that they lead to",
    "part left out": "not there: look at its place on the board",
    "relay left out": "not there: look at its place on the board",
    "transformer left out": "not there: look at its place on the board",
    "part value": "of {value} in its place: read its marking, then measure it",
    "parts swapped": "each in the other's place: read their markings",
}


def explain(fault_set: FaultSet, module: Module, fixture: Fixture) -> str:
    """One sentence for each of a fault set's faults: where it is, what it is, what to do."""
    sentences = (
        f"{_where(fault, module, fixture)}: "
        + _ADVICE[fault.kind].format(
            throw=_throw(fault, module),
            resistance=format_value(fault.resistance_ohm or 0.0, "ohm"),
            value=format_value(fault.value or 0.0, fault.unit),
            one=fault.channel or module.channels[0],
            other=fault.other or module.channels[-1],
        )
        for fault in fault_set
    )
    return "; and ".join(sentences) or "nothing is wrong with the unit"


def _where(fault: Fault, module: Module, fixture: Fixture) -> str:
    """The part of the unit, or of the fixture, that a fault is at."""
    subject = fault.subject
    match fault.kind.split()[0]:
        case "relay" | "coil" | "set" | "reset" | "switch":
            return _relay(subject, module)
        case "pole" | "throw":
            name, contact, leg = subject.split(".")
            return f"{_relay(name, module)}, contact {contact}, {leg} leg"
        case "control" if fault.other:
            return f"control lines {subject} and {fault.other}"
        case "control":
            relays = ", ".join(relay.name for relay in module.relays if subject in relay.coils)
            return f"control line {subject} ({relays})" if relays else f"control line {subject}"
        case "loopback":
            loopback = fixture.loopbacks[subject]
            whose = f"{fault.channel} plug" if fault.channel else "plugs"
            return f"{whose} {subject}, {loopback.from_net} to {loopback.to_net}"
        case "part":
            return _part(subject, module)
        case "parts":
            return f"{_part(subject, module)} and {_part(fault.other or '', module)}"
        case "nets":
            return f"nets {subject} and {fault.other}"
        case "transformer":
            return f"transformer {subject}"
        case "winding":
            name, winding = subject.split(".")
            return f"{winding} of transformer {name}"
        case "amplifier":
            name, _, leg = subject.partition(".")
            return f"amplifier {name}" + (f", {leg} output" if leg else "")
        case _:
            port = f"{fault.channel}.{subject}" if fault.channel else subject
            return f"port {port}, {fault.leg} leg" if fault.leg else f"port {port}"


def _part(name: str, module: Module) -> str:
    for unit, parts in (("ohm", module.resistors), ("F", module.capacitors), ("H", module.inductors)):
        for part in parts:
            if part.name == name:
                return f"part {name} ({format_value(part.value, unit)})"
    return f"link {name}"


def _relay(name: str, module: Module) -> str:
    """`relay K3, left`, where all its poles are in one channel; or `switch U3`."""
    relay = next((each for each in module.relays if each.name == name), None)
    channels = sorted({pole.channel for pole in relay.poles}) if relay else []
    title = f"switch {name}" if relay and relay.type.is_electronic else f"relay {name}"
    return f"{title}, {channels[0]}" if len(channels) == 1 else title


def _throw(fault: Fault, module: Module) -> str:
    """`released throw between left.in.hot and left.out.hot`."""
    for pole in (pole for relay in module.relays for pole in relay.poles if pole.name == fault.subject):
        if fault.throw is not None:
            return f"{fault.throw} throw between {pole.common} and {pole.throws.get(fault.throw)}"
    return f"{fault.throw} throw"


def make_explanation(result: Diagnosis, probe: Probe | None, module: Module, fixture: Fixture) -> Explanation:
    """Put a diagnosis into words."""
    shown = shown_groups(result)
    next_probe = _more_operations(shown, module) if probe is None else _probe(probe)
    return Explanation(
        headline=_headline(result, shown),
        groups=tuple(_group(group, module, fixture) for group in shown),
        next_probe=next_probe,
        left_over=result.explained and not next_probe and sum(len(group.fault_sets) for group in shown) > 1,
        remarks=tuple(_remarks(result)),
    )


def shown_groups(result: Diagnosis) -> tuple[Group, ...]:
    """The groups worth a reader's time."""
    if result.says_good:
        return ()
    likely = [group for group in result.groups[:MOST_GROUPS] if group.posterior >= LEAST]
    return tuple(likely or result.groups[:1])


def _headline(result: Diagnosis, shown: tuple[Group, ...]) -> str:
    if result.says_good:
        levels = "these levels and currents" if result.unweighed else "these readings"
        return f"No fault on the list explains {levels} better than a good unit does."
    if not result.explained:
        return "No fault on the list explains these readings. The nearest, which does not fit, is:"
    first = shown[0]
    count = len(first.fault_sets)
    what = "Two faults at once explain" if len(first.fault_sets[0]) > 1 else "One fault explains"
    if count == 1:
        return f"{what} these readings:"
    return f"{what} these readings; {count} candidates can't be told apart by them:"


def _group(group: Group, module: Module, fixture: Fixture) -> ExplainedGroup:
    spelled, others = group.fault_sets[:MOST_FAULTS], group.fault_sets[MOST_FAULTS:]
    return ExplainedGroup(
        likelihood=percent(group.posterior),
        faults=tuple((suspect_name(each), explain(each, module, fixture)) for each in spelled),
        others=tuple(suspect_name(each) for each in others),
    )


def percent(share: float) -> str:
    """`97 %`, `> 99 %`, `< 1 %`."""
    if share > 0.99:
        return "> 99 %"
    return "< 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _probe(probe: Probe) -> str:
    if not probe.point:
        return f"read the relay supply's current in state {probe.state}"
    plugs = f", plugs {', '.join(probe.loopbacks)} in" if probe.loopbacks else ", no plugs in"
    inside = " (inside the unit)" if probe.inside else ""
    return f"probe both legs of {probe.point}{inside} in state {probe.state}, {probe.driven} driven{plugs}"


def _more_operations(shown: tuple[Group, ...], module: Module) -> str:
    """What would tell contacts apart that come and go: each control line moves its own relays. "" for
    others.
    """
    fault_sets = [fault_set for group in shown for fault_set in group.fault_sets]
    if len(fault_sets) < 2 or not all(map(comes_and_goes, fault_sets)):
        return ""
    relays = {fault_set[0].subject.split(".")[0] for fault_set in fault_sets}
    lines = dict.fromkeys(relay.operating_control for relay in module.relays if relay.name in relays)
    several = "lines" if len(lines) > 1 else "line"
    return f"check the intermittency of {several} {' and '.join(lines)} with more operations"


def _remarks(result: Diagnosis) -> list[str]:
    remarks = []
    if result.over_current:
        remarks.append(
            f"The run was stopped by over-current in state {result.over_current}, so little more than the "
            "supply current is known."
        )
    if not result.explained and not result.doubles:
        remarks.append("Pairs of faults were not tried here; `switchwalk diagnose` tries them.")
    if not result.explained and result.doubles:
        remarks.append(
            "Pairs of faults were tried too. Look for what is not on the list: wiring, wrong parts, a lead."
        )
    likeliest = [fault for group in result.groups[:1] for faults in group.fault_sets for fault in faults]
    if any(fault.kind.startswith("loopback") for fault in likeliest):
        remarks.append("A plug belongs to the fixture: correct it and test again before you open the unit.")
    if result.unweighed:  # quantities that a circuit of linear parts does not predict
        readings = ", ".join(
            f"{counted(count, 'reading')} of {quantity} (look for {QUANTITIES[quantity].look_for})"
            for quantity, count in result.unweighed.items()
        )
        remarks.append(
            f"Not explained here: {readings}. The circuit predicts nothing about these, so they are evidence "
            "for or against no fault."
        )
    return [*remarks, *result.notes]


def as_data(result: Diagnosis, probe: Probe | None, module: Module, fixture: Fixture) -> dict[str, Any]:
    """The diagnosis for another program; groups, good and something_else add up to 1."""
    return {
        "explained": result.explained,
        "good": result.good,
        "something_else": result.something_else,
        "beyond_standard_deviations": None if result.beyond == float("inf") else result.beyond,
        "pairs_tried": result.doubles,
        "acquisitions": result.acquisitions,
        "supply_readings": result.supplies,
        "change_readings": result.changes,
        "not_weighed": dict(result.unweighed),
        "over_current_in": result.over_current or None,
        "groups": [
            {
                "probability": group.posterior,
                "faults": [
                    {"name": suspect_name(each), "words": explain(each, module, fixture)}
                    for each in group.fault_sets
                ],
            }
            for group in result.groups
        ],
        "next_probe": None
        if probe is None
        else {
            "place": probe.point or "supply current",
            "state": probe.state,
            "driven": probe.driven or None,
            "plugs": list(probe.loopbacks),
            "information_nats": probe.information,
            "words": _probe(probe),
        },
        "notes": list(result.notes),
    }


@dataclass(frozen=True, kw_only=True)
class Explained:
    """The diagnosis at the end of a failed run: faults that are not told apart, and all of it in words.

    names: the likeliest first, none if no fault on the list explains it. probability: of these together.
    """

    names: tuple[str, ...]
    probability: float
    explanation: Explanation


def keep_explained(store: RunStore, run_id: int, result: Explained) -> None:
    """Record the diagnosis with its run: the names for the batch's figures, the words for its page."""
    named = FaultsNamed(faults=result.names, probability=result.probability)
    store.add_event(run_id, named, ", ".join(result.names) or "no listed fault")
    store.add_event(run_id, result.explanation, result.explanation.headline)


def kept_explained(store: RunStore, run_id: int) -> Explained | None:
    """The diagnosis that was recorded with a run, or None. Raises RecordsError if it cannot be read."""
    events = [each.event for each in store.events(run_id)]
    named = [event for event in events if isinstance(event, FaultsNamed)]
    explanations = [event for event in events if isinstance(event, Explanation)]
    if not named or not explanations:  # earlier versions recorded the names alone
        return None
    return Explained(names=named[-1].faults, probability=named[-1].probability, explanation=explanations[-1])
