"""What a plan would see of every fault, worked out by another process while the bench is at work.

It follows from job and plan alone and takes seconds, or half a minute: the report of a run would wait for it
when the bench is done. The other process is less urgent than the run, and ends with it, however that ends.
"""

import os
import pickle
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.circuit.elements import BenchImpedances
    from harness.descriptions.job import Job
    from harness.faults.coverage import FaultSeen
    from harness.plan.model import Plan

NICENESS = 5  # gives way to the run, and still gets on where a processor has other work as well
ASKED, FOUND = "asked.pickle", "found.pickle"


class Beside:
    """The other process. A context manager; what it has not answered when this is left is given up."""

    def __init__(self, job: "Job", plan: "Plan", impedances: "BenchImpedances") -> None:
        self._folder = TemporaryDirectory(prefix="switchwalk-", ignore_cleanup_errors=True)
        place = Path(self._folder.name)
        (place / ASKED).write_bytes(pickle.dumps((job, plan, impedances)))
        self._process = subprocess.Popen(
            [sys.executable, "-m", "harness.workbench.beside", str(place)],
            stdin=subprocess.PIPE,  # closed with this process, whatever becomes of it
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=sys.platform != "win32",  # a Ctrl-C is for the run
            creationflags=getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0),
        )

    def __enter__(self) -> "Beside":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()
        if self._process.stdin:
            self._process.stdin.close()
        self._folder.cleanup()

    def answer(self) -> "tuple[FaultSeen, ...]":
        """Wait for what was found; () where that came to nothing."""
        if self._process.wait() != 0:
            return ()
        found: tuple[FaultSeen, ...] = pickle.loads((Path(self._folder.name) / FOUND).read_bytes())
        return found


def main() -> None:
    """Answer what lies in a folder; end at once when whoever asked is gone."""
    threading.Thread(target=_end_with_the_asker, daemon=True).start()
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    place = Path(sys.argv[1])
    job, plan, impedances = pickle.loads((place / ASKED).read_bytes())
    from harness.faults.coverage import judge_faults

    found = judge_faults(job, plan, impedances=impedances)
    (place / FOUND).write_bytes(pickle.dumps(found))


def _end_with_the_asker() -> None:
    with suppress(OSError):
        os.read(0, 1)
    os._exit(1)


if __name__ == "__main__":
    main()
