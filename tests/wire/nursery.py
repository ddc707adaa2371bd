"""Forks command lines from a process that has everything imported: a start costs 20 ms in place of 1.5 s.

Run as a program. Each line of standard input is a request, {"arguments": […], "output": path, "befalls": null
or [n, what]}; it is answered by {"pid": …} at once and by {"code": …} when that process has ended (minus the
signal's number where one ended it); an empty line then lets it be forgotten. What can befall it at its nth
commit to the records: "killed before", "killed after" (by its own hand), "disk full" and "disk refuses"
(every write), both from just after it on; and "killed after readings", where only commits of readings count.
"""

import contextlib
import json
import os
import resource
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any


def preload() -> None:
    """Import what a run imports; nothing that starts a thread."""
    import jinja2  # noqa: F401
    import pyvisa
    import pyvisa_py  # noqa: F401
    import scipy.optimize  # noqa: F401
    import serial  # noqa: F401

    import drivers.bench  # noqa: F401
    import harness.cli.app
    import harness.plan.build
    import harness.records.store
    import harness.report.write
    import harness.session.unit_run  # noqa: F401

    pyvisa.ResourceManager("@py").close()


def fill_the_disk(filler: Path) -> None:
    """Leave not a byte on the disk that this folder is on."""
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(4096))


def befall_at_commit(nth: int, what: str) -> None:
    """Let something befall this process at a commit."""
    from harness.reading import Reading
    from harness.records.store import RunStore

    original = RunStore._writing
    count = 0

    @contextmanager
    def writing(self: RunStore) -> Iterator[Any]:
        nonlocal count
        with original(self) as connection:
            yield connection
            count += 1
            if (count, what) == (nth, "killed before"):
                os.kill(os.getpid(), signal.SIGKILL)
        if count != nth:
            return
        if what == "killed after":
            os.kill(os.getpid(), signal.SIGKILL)
        if what == "disk full":
            fill_the_disk(Path("filler"))
        if what == "disk refuses":
            resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))

    RunStore._writing = writing  # type: ignore[method-assign]
    add_readings = RunStore.add_readings
    groups = 0

    def add(self: RunStore, run: int, readings: Sequence["Reading"]) -> None:
        nonlocal groups
        add_readings(self, run, readings)
        groups += 1
        if (groups, what) == (nth, "killed after readings"):
            os.kill(os.getpid(), signal.SIGKILL)

    RunStore.add_readings = add  # type: ignore[method-assign]


def live(request: dict[str, Any]) -> None:
    """Be one command line, in the child; never returns."""
    code = 70
    try:
        nowhere = os.open(os.devnull, os.O_RDONLY)
        output = os.open(request["output"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        os.dup2(nowhere, 0)
        os.dup2(output, 1)
        os.dup2(output, 2)
        os.chdir(Path(request["output"]).parent)
        if request["befalls"]:
            befall_at_commit(*request["befalls"])
        from harness.cli.app import main

        main(request["arguments"])
        code = 0
    except SystemExit as ended:
        code = int(ended.code or 0)
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def serve() -> None:
    """Answer requests until standard input closes."""
    preload()
    print(json.dumps({"ready": True}), flush=True)
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            live(json.loads(line))
        print(json.dumps({"pid": pid}), flush=True)
        # Not reaped until its end was told, so that its number is nobody else's while it may be killed.
        ended = os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)
        assert ended is not None
        code = ended.si_status if ended.si_code == os.CLD_EXITED else -ended.si_status
        print(json.dumps({"code": code}), flush=True)
        sys.stdin.readline()
        os.waitpid(pid, 0)


if __name__ == "__main__":
    serve()
