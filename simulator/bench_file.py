"""Where a running simulator is, and the bench file that says so."""

from dataclasses import dataclass
from pathlib import Path

from harness.errors import UsageError
from harness.job.job import Job


@dataclass(frozen=True, kw_only=True)
class Addresses:
    """Where everything is: VISA resource names, a serial device or URL, and the control port."""

    generator: str
    oscilloscope: str
    supply: str
    switchboard: str
    switchboard_tcp: str  # the same board over TCP; the same as `switchboard` where it has no serial port
    control: str


def bench_toml(job: Job, addresses: Addresses, switchboard: str) -> str:
    """Write the bench file that reaches a simulator; what is not an address is the job's own bench's."""
    bench = job.bench
    hot, cold = (bench.generator.hot, bench.generator.cold) if bench is not None else (1, 2)
    probe = bench.oscilloscope.probe if bench is not None else 1.0
    output = bench.supply.output if bench is not None else 1
    return f"""\
[bench]
name = "Simulated bench"

[generator]
address = "{addresses.generator}"
profile = "scpi-generator"
hot = {hot}
cold = {cold}

[oscilloscope]
address = "{addresses.oscilloscope}"
profile = "preamble-oscilloscope"
probe = "{probe:g}x"
gain_accuracy = "2 %"

[supply]
address = "{addresses.supply}"
profile = "scpi-supply"
output = {output}

[switchboard]
address = "{addresses.switchboard}"
profile = "{switchboard}-switchboard"
settle = "15 ms"
"""


def write_bench(path: Path, text: str) -> None:
    """Write a bench file whole: a reader sees all of it or none. Raises UsageError."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise UsageError(f"cannot write the bench file {path}: {error.strerror}") from error
