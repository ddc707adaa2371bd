"""Children of the tests, forked where they can be: `python -m simulator`, `harness.cli` and `tests.…`."""

import inspect
import json
import os
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
FORKED = ("harness.cli", "simulator", "tests.")
CAN_FORK = sys.platform == "linux"
Started = subprocess.Popen
"""Begins an interpreter of its own in any case: for tests of how that begins, and how soon."""
_PARAMETERS = inspect.signature(Started._execute_child)  # type: ignore[attr-defined]


class Stem:
    """The process that children are forked from, begun when the first is asked for."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._ours: socket.socket | None = None

    def fork(self, request: dict[str, Any], streams: list[int]) -> tuple[int, int]:
        """Fork a child; gives its number, and the pipe that tells how it ended."""
        with self._lock:
            ours = self._begun()
            told, end = os.pipe()
            socket.send_fds(ours, [json.dumps(request).encode()], [*streams, end])
            os.close(end)
            return int(ours.recv(64)), told

    def close(self) -> None:
        if self._ours is not None and self._process is not None:
            self._ours.close()
            self._process.wait(timeout=30)

    def begin(self) -> None:
        """Let it import everything before it is needed."""
        with self._lock:
            self._begun()

    def _begun(self) -> socket.socket:
        if self._ours is not None:
            return self._ours
        self._ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._process = Started(
            [sys.executable, "-m", "tests.stem", str(theirs.fileno())],
            cwd=ROOT, stdin=subprocess.DEVNULL, pass_fds=(theirs.fileno(),),
        )  # fmt: skip
        theirs.close()
        return self._ours


STEM = Stem()


class Child(Started[Any]):
    """A `Popen` whose process is forked from the stem's, if it is one of those that can be.

    Not those with another interpreter's options, another encoding or descriptors of their own. How it ended
    is read from a pipe, as a process can only wait for children of its own.
    """

    _told: int | None = None

    def _execute_child(self, *given: Any) -> None:
        asked = _PARAMETERS.bind(self, *given).arguments
        if not _can_be_forked(asked):
            super()._execute_child(*given)  # type: ignore[misc]
            return
        ends = (asked["p2cread"], asked["c2pwrite"], asked["errwrite"])
        request = {
            "arguments": [os.fspath(argument) for argument in asked["args"][2:]],
            "folder": os.fspath(asked["cwd"] or os.getcwd()),
            "environment": dict(os.environ if asked["env"] is None else asked["env"]),
            "session": asked["start_new_session"],
        }
        streams = [number if end == -1 else end for number, end in enumerate(ends)]
        self.pid, self._told = STEM.fork(request, streams)
        self._child_created = True
        names = ("p2cread", "p2cwrite", "c2pread", "c2pwrite", "errread", "errwrite")
        self._close_pipe_fds(*(asked[name] for name in names))  # type: ignore[attr-defined]

    def _try_wait(self, wait_flags: int) -> tuple[int, int]:
        """As waitpid: (0, 0) while it lives, if it is not to be waited for."""
        if self._told is None:
            return super()._try_wait(wait_flags)  # type: ignore[misc,no-any-return]
        if wait_flags & os.WNOHANG and not select.select([self._told], [], [], 0)[0]:
            return 0, 0
        code = int(os.read(self._told, 16) or -9)  # nothing to read: the stem was killed, and this with it
        os.close(self._told)
        self._told = None
        return self.pid, code << 8 if code >= 0 else -code

    def _internal_poll(self, *given: Any, **functions: Any) -> int | None:
        if self._told is not None:
            functions["_waitpid"] = lambda _, flags: self._try_wait(flags)
        return super()._internal_poll(*given, **functions)  # type: ignore[misc,no-any-return]


def _can_be_forked(asked: dict[str, Any]) -> bool:
    arguments = asked["args"]
    if not isinstance(arguments, list) or len(arguments) < 3:
        return False
    if (arguments[0], arguments[1]) != (sys.executable, "-m") or not arguments[2].startswith(FORKED):
        return False
    if asked["pass_fds"] or asked["preexec_fn"] or asked["shell"] or asked["uid"] is not None:
        return False
    return asked["env"] is None or _encoded_alike(asked["env"])


def _encoded_alike(environment: Mapping[str, str]) -> bool:
    """Whether an interpreter would start with the same options and UTF-8."""
    locale = next((environment[n] for n in ("LC_ALL", "LC_CTYPE", "LANG") if environment.get(n)), "C.UTF-8")
    return locale.upper().endswith("UTF-8") and _options(environment) == _options(os.environ)


def _options(environment: Mapping[str, str]) -> dict[str, str]:
    return {name: value for name, value in environment.items() if name.startswith("PYTHON")}
