"""From the tables of parts in module.toml to single parts between nodes."""

from collections.abc import Iterator, Sequence
from itertools import product
from typing import TypeVar

from harness.job.module import GROUND, LEGS, Amplifier, Inductor, ModuleFile, Part, Transformer
from harness.job.nets import End, Nets, channel_of, owners
from harness.job.part_entries import CapacitorEntry, PartEntry, ResistorEntry
from harness.toml_files.located import Key
from harness.toml_files.source import Source

E = TypeVar("E", bound=PartEntry)


def parts_of(nets: Nets, kind: str, entries: Sequence[ResistorEntry | CapacitorEntry]) -> Iterator[Part]:
    """Every single resistor or capacitor of a table's entries; notes their mistakes."""
    for entry, name, a, b in _placed(nets, kind, entries):
        yield Part(name=name, a=a, b=b, value=entry.value, tolerance=entry.tolerance)


def links_of(nets: Nets, file: ModuleFile) -> Iterator[Part]:
    """Every link of one leg; notes their mistakes."""
    for _, name, a, b in _placed(nets, "link", file.link):
        if GROUND in (a, b):
            nets.grounded |= {a, b} - {GROUND}
        yield Part(name=name, a=a, b=b, value=0.0, tolerance=0.0)


def inductors_of(nets: Nets, file: ModuleFile) -> Iterator[Inductor]:
    """Every single inductor; notes their mistakes."""
    for entry, name, a, b in _placed(nets, "inductor", file.inductor):
        yield Inductor(
            name=name,
            a=a,
            b=b,
            value=entry.value,
            tolerance=entry.tolerance,
            resistance_ohm=entry.resistance_ohm,
        )


def _placed(nets: Nets, kind: str, entries: Sequence[E]) -> Iterator[tuple[E, str, str, str]]:
    """(entry, name, node, node) of each single part of a table's entries."""
    for index, entry in enumerate(entries):
        key: Key = (kind, index)
        one_shape = _has_one_shape(nets.source, entry, key)
        ends = _written(entry) if one_shape else []
        for of_names, name in owners(nets, entry, key, ends):
            channel = channel_of(nets, of_names, entry.channel, ends, key)
            if channel is None or not one_shape or not nets.source.reads(*key, "leg"):
                nets.complete = False
                continue
            for part_name, a, b in _ends(nets, entry, name, channel, key):
                yield entry, part_name, a, b


def _written(part: PartEntry) -> list[str]:
    """A part's ends as the file has them, but for the ground."""
    return [*(part.series or ()), *filter(None, (part.across, part.to_ground))]


def _has_one_shape(source: Source, part: PartEntry, key: Key) -> bool:
    given = [part.series, part.across, part.to_ground]
    if given.count(None) != 2:
        source.wrong(key, 'expected one of series = ["x", "y"], across = "y", to_ground = "y"')
        return False
    if part.series is not None and (len(part.series) != 2 or part.series[0] == part.series[1]):
        source.wrong((*key, "series"), 'expected two different nets such as ["x", "y"]')
        return False
    if part.across is not None and (part.leg is not None or part.across == GROUND or End.of(part.across).leg):
        source.wrong((*key, "across"), "a part across a pair has no leg, and ground is no pair")
        return False
    legs = [end for end in _written(part) if End.of(end).leg is not None]
    if legs and part.leg is None:
        source.wrong(key, f'found "{legs[0]}", one leg; expected leg beside it')
        return False
    return True


def _ends(nets: Nets, part: PartEntry, name: str, channel: str, key: Key) -> Iterator[tuple[str, str, str]]:
    """(name, node, node) of each single part that one entry stands for in one channel."""
    if part.across is not None:
        hot, cold = (nets.attach_end(part.across, channel, leg, (*key, "across")) for leg in LEGS)
        yield name, hot, cold
        return
    for leg in LEGS if part.leg is None else (part.leg,):
        part_name = name if part.leg is not None else f"{name}.{leg}"
        if part.series is not None:
            a, b = (
                nets.attach_end(end, channel, leg, (*key, "series", i)) for i, end in enumerate(part.series)
            )
            if a == b:
                nets.source.wrong((*key, "series"), f"{name} has both its ends on {a}; expected two nets")
            nets.join(a, b)
            yield part_name, a, b
        elif part.to_ground is not None:
            yield part_name, nets.attach_end(part.to_ground, channel, leg, (*key, "to_ground")), GROUND


def transformers_of(nets: Nets, file: ModuleFile) -> Iterator[Transformer]:
    """Every transformer; notes their mistakes."""
    for index, entry in enumerate(file.transformer):
        key: Key = ("transformer", index)
        written = (entry.from_net, entry.to_net)
        if any(End.of(end).net == GROUND for end in written) or (written[0] and written[0] == written[1]):
            nets.source.wrong(key, "expected from and to to be two different nets, neither ground")
        for of_names, name in owners(nets, entry, key, written):
            channel = channel_of(nets, of_names, entry.channel, written, key)
            if channel is None:
                continue
            primary = _winding(nets, entry.from_net, channel, (*key, "from"))
            secondary = _winding(nets, entry.to_net, channel, (*key, "to"))
            for a, b in product(primary, secondary):
                nets.join(a, b)
            yield Transformer(
                name=name,
                primary=primary,
                secondary=secondary,
                ratio=-entry.ratio if entry.inverting else entry.ratio,
                primary_ohm=entry.primary_ohm,
                secondary_ohm=entry.secondary_ohm,
                magnetising_h=entry.magnetising_h,
                leakage_h=entry.leakage_h,
                tolerance=entry.tolerance,
            )


def _winding(nets: Nets, end: str, channel: str, key: Key) -> tuple[str, str]:
    """The nodes of a winding: both legs of a net, or one leg and ground."""
    leg = End.of(end).leg
    if leg is not None:
        return nets.attach_end(end, channel, leg, key), GROUND
    hot, cold = (nets.attach_end(end, channel, each, key) for each in LEGS)
    return hot, cold


def amplifiers_of(nets: Nets, file: ModuleFile) -> Iterator[Amplifier]:
    """Every amplifier; notes their mistakes."""
    for index, entry in enumerate(file.amplifier):
        key: Key = ("amplifier", index)
        from_net, to_net = entry.from_net, entry.to_net
        if from_net and (from_net == to_net or GROUND in (from_net, to_net)):
            nets.source.wrong(key, "expected from and to to be two different nets, neither ground")
        for of_names, name in owners(nets, entry, key, (from_net, to_net)):
            channel = channel_of(nets, of_names, entry.channel, (), key)
            if channel is None:
                continue
            for leg in LEGS:
                a = nets.attach(channel, from_net, leg, (*key, "from"))
                b = nets.attach(channel, to_net, leg, (*key, "to"))
                nets.join(a, b)
            ratio: float = 10 ** (entry.gain_db / 20)
            yield Amplifier(
                name=name,
                channel=channel,
                from_net=from_net,
                to_net=to_net,
                gain=-ratio if entry.inverting else ratio,
                input_ohm=entry.input_ohm,
                output_ohm=entry.output_ohm,
                common_mode_rejection_db=entry.common_mode_rejection_db,
                tolerance=entry.tolerance,
                most_output_vrms=entry.most_output_vrms,
            )
