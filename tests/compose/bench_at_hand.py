"""What a job's bench has for the composer."""

from pathlib import Path

from harness.compose.at_hand import AtHand
from harness.session.asked_of_bench.profiles import bench_offer


def at_the_bench(folder: Path) -> AtHand:
    offer = bench_offer(folder / "bench.toml")
    return AtHand(
        scope_inputs=offer.scope_inputs,
        boards=offer.switchboard_channels,
        impedances=offer.impedances,
        bench=offer.bench,
    )
