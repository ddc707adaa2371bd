"""How long `switchwalk --help` takes over `python -c "import typer"`: whole processes, in turn."""

import statistics
import subprocess
import sys
import time

RUNS = 9


def wall_s(command: list[str]) -> float:
    """Wall time of one run of a command."""
    begun = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def main() -> None:
    """Print the ratio."""
    help_command = [sys.executable, "-m", "harness.cli", "--help"]
    bare_command = [sys.executable, "-c", "import typer"]
    wall_s(help_command), wall_s(bare_command)
    pairs = [(wall_s(help_command), wall_s(bare_command)) for _ in range(RUNS)]
    ratios = sorted(one / other for one, other in pairs)
    print(f"switchwalk --help   {1e3 * statistics.median(one for one, _ in pairs):7.1f} ms")
    print(f"import typer        {1e3 * statistics.median(other for _, other in pairs):7.1f} ms")
    print(
        f"ratio               {statistics.median(ratios):7.2f}    "
        f"({ratios[0]:.2f} to {ratios[-1]:.2f}; at most 2)"
    )


if __name__ == "__main__":
    main()
