"""From bench.toml to a BenchFile."""

from harness.job.bench import BenchFile, GeneratorFile, OscilloscopeFile, SupplyFile, SwitchboardFile
from harness.job.mistakes import Source
from harness.job.schema import RawBench, RawGenerator, RawOscilloscope, RawSupply, RawSwitchboard

INSTRUMENTS = ("generator", "oscilloscope", "supply", "switchboard")


def read_bench(source: Source) -> BenchFile | None:
    """Read bench.toml; notes its mistakes and gives None where there is one."""
    before = len(source.mistakes)
    source.only_tables(("bench", *INSTRUMENTS))
    bench = source.required(RawBench, "bench")
    generator = source.required(RawGenerator, "generator")
    oscilloscope = source.required(RawOscilloscope, "oscilloscope")
    supply = source.required(RawSupply, "supply")
    switchboard = source.required(RawSwitchboard, "switchboard")
    if generator and generator.hot == generator.cold:
        source.wrong(
            ("generator", "cold"), f"output {generator.cold} already feeds hot; expected another one"
        )
    if bench and bench.visa not in ("@py", "@ivi"):
        source.wrong(("bench", "visa"), f'found "{bench.visa}"; expected "@py", or "@ivi" for a system VISA')
    _check_addresses(source)
    if len(source.mistakes) > before or not (bench and generator and oscilloscope and supply and switchboard):
        return None
    return BenchFile(
        name=bench.name,
        visa=bench.visa,
        generator=GeneratorFile(
            address=generator.address,
            profile=generator.profile,
            identity=generator.identity,
            hot=generator.hot,
            cold=generator.cold,
        ),
        oscilloscope=OscilloscopeFile(
            address=oscilloscope.address,
            profile=oscilloscope.profile,
            identity=oscilloscope.identity,
            probe=oscilloscope.probe,
            gain_accuracy=oscilloscope.gain_accuracy,
        ),
        supply=SupplyFile(
            address=supply.address, profile=supply.profile, identity=supply.identity, output=supply.output
        ),
        switchboard=SwitchboardFile(
            address=switchboard.address,
            profile=switchboard.profile,
            identity=switchboard.identity,
            settle_s=switchboard.settle,
        ),
    )


def _check_addresses(source: Source) -> None:
    """Note two instruments at one address: each connection has one owner."""
    owners: dict[str, str] = {}
    for instrument in INSTRUMENTS:
        address = source.table(instrument).get("address")
        if not isinstance(address, str):
            continue
        if address in owners:
            source.wrong(
                (instrument, "address"),
                f'"{address}" is already the address of the {owners[address]}; expected another one',
            )
        owners.setdefault(address, instrument)
