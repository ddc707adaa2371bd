"""Forks children from a process that has everything imported: one costs 20 ms where a start costs 1.5 s.

As a program it is that process. It gets requests on a socket, each with the ends of the child's standard
streams and one of a pipe, answers with the child's number, and writes to the pipe how the child ended.
"""

import atexit
import contextlib
import gc
import io
import json
import os
import runpy
import selectors
import signal
import socket
import sys
import threading
import weakref
from importlib import import_module
from typing import Any

# What a run, a simulator and most commands import; nothing of it may start a thread.
IMPORTED = (
    *("jinja2", "pyvisa", "pyvisa_py", "scipy.optimize", "serial", "sqlalchemy.dialects.sqlite"),
    *("drivers.bench", "simulator.server", "harness.quantities.registry", "harness.faults.coverage"),
    *("harness.cli.app", "harness.cli.run", "harness.cli.batch", "harness.cli.bench", "harness.cli.jobs"),
    *("harness.cli.measure", "harness.cli.records", "harness.cli.coverage", "harness.cli.live.view"),
    *("harness.plan.build", "harness.report.write", "harness.session.unit_run"),
)
REQUEST_MAX = 1 << 17  # bytes: arguments and environment


def serve(asked: socket.socket) -> None:
    """Answer until the other end closes. A child never returns from here: it becomes what was asked for."""
    for module in IMPORTED:
        import_module(module)
    for finalizer in tuple(weakref.finalize._registry):  # type: ignore[attr-defined]
        finalizer.atexit = False  # what the imported have begun is not a child's to end
    gc.collect()
    gc.freeze()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl-C is for the tests, which then close the socket
    told, woken = os.pipe()
    for descriptor in (told, woken):
        os.set_blocking(descriptor, False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(woken)
    lives: dict[int, int] = {}  # a child's number, and where to write how it ended
    with selectors.DefaultSelector() as selector:
        selector.register(asked, selectors.EVENT_READ)
        selector.register(told, selectors.EVENT_READ)
        while True:
            ready = {key.fd for key, _ in selector.select()}
            if told in ready:
                os.read(told, 4096)
                _tell_ends(lives)
            if asked.fileno() not in ready:
                continue
            message, descriptors, _, _ = socket.recv_fds(asked, REQUEST_MAX, 4)
            if not message:
                return
            *streams, end = descriptors
            child = os.fork()
            if child == 0:
                signal.set_wakeup_fd(-1)
                for descriptor in (told, woken, asked.fileno(), end, *lives.values()):
                    os.close(descriptor)
                asked.detach()
                _become(json.loads(message), streams)
            lives[child] = end
            for descriptor in streams:
                os.close(descriptor)
            asked.sendall(str(child).encode())


def _tell_ends(lives: dict[int, int]) -> None:
    for child in tuple(lives):
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            end = lives.pop(child)
            with contextlib.suppress(BrokenPipeError):
                os.write(end, str(os.waitstatus_to_exitcode(status)).encode())
            os.close(end)


def _become(request: dict[str, Any], streams: list[int]) -> None:
    """Be the child that was asked for, as if the interpreter had started with this; never returns."""
    for number, descriptor in enumerate(streams):
        os.dup2(descriptor, number)
        os.close(descriptor)
    if request["session"]:
        os.setsid()
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.chdir(request["folder"])
    os.environ.clear()
    os.environ.update(request["environment"])
    sys.stdin, sys.stdout, sys.stderr = (
        io.TextIOWrapper(
            os.fdopen(number, f"{mode}b", closefd=False),
            encoding="utf-8",
            errors="backslashreplace" if number == 2 else "strict",
            newline="\n",
            line_buffering=number == 2 or os.isatty(number),
            write_through="PYTHONUNBUFFERED" in request["environment"],
        )
        for number, mode in enumerate("rww")
    )
    module, *sys.argv[1:] = request["arguments"]
    sys.path[0] = request["folder"]
    code: object = 70
    try:
        runpy.run_module(module, run_name="__main__", alter_sys=True)
        code = 0
    except SystemExit as ended:
        code = ended.code
    except BaseException:
        sys.excepthook(*sys.exc_info())
        code = 1
    _leave(code)


def _leave(code: object) -> None:
    """End as an interpreter does, but for the memory, which is the other process's too."""
    if isinstance(code, str):
        print(code, file=sys.stderr)
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os._exit(code if isinstance(code, int) else int(code is not None))


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])))
