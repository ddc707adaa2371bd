"""The likely cause of what an instrument did not do, and what to look at first."""

import errno
import os
import re
import socket
from collections.abc import Collection, Iterator
from pathlib import Path

from harness.errors import (
    BadReply,
    BenchError,
    BenchTimeout,
    Desynchronised,
    HookupError,
    InstrumentError,
    JobError,
    LinkLost,
    SwitchwalkError,
    WrongInstrument,
)

# Numbers of the operating system, and the status codes by which VISA libraries say the same (VPP-4.3:
# VI_ERROR_NPERMISSION; VI_ERROR_RSRC_BUSY, VI_ERROR_RSRC_LOCKED; VI_ERROR_RSRC_NFOUND).
NO_PERMISSION = (errno.EACCES, errno.EPERM, -1073807192)
TAKEN = (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK, -1073807246, -1073807345)
NOT_THERE = (errno.ENOENT, errno.ENODEV, errno.ENXIO, -1073807343)


def likely_cause(error: SwitchwalkError, *, address: str, profile: str) -> str:
    """Say in a sentence what is most likely wrong, by the error and by what lies under it."""
    numbers = set(_numbers(error))
    return (
        _of_files(error)
        or _of_the_device(numbers, address)
        or _of_the_link(error, numbers, address)
        or _of_the_answers(error, profile)
        or f"it does not do what {profile!r} says: hold its manual against the profile's commands and limits"
    )


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def _numbers(error: BaseException) -> Iterator[int]:
    """The numbers that the operating system and a VISA library gave to what went wrong."""
    for each in _chain(error):
        for number in (getattr(each, "errno", None), getattr(each, "error_code", None)):
            if isinstance(number, int):
                yield int(number)


def _of_files(error: SwitchwalkError) -> str:
    if isinstance(error, JobError):
        return "the profile named in the bench file: its name, its kind, or a mistake in it"
    if isinstance(error, BenchError) and error.cause == "in use":
        return "another run has it: wait for that, or end it"
    if isinstance(error, WrongInstrument):
        return (
            "the address is another instrument's, or `identity` in the bench file is not this one's; "
            "`switchwalk find` shows what is there"
        )
    return ""


def _of_the_device(numbers: Collection[int], address: str) -> str:
    """Device files: no permission, held by another program, not there."""
    if any(number in NO_PERMISSION for number in numbers):
        return f"no permission on the device file{_whose(address)}"
    if any(number in TAKEN for number in numbers):
        return "another program holds it: a terminal program, a logger; close that one"
    if any(number in NOT_THERE for number in numbers):
        return "nothing is plugged in under this name: `switchwalk find` lists what there is"
    return ""


def _whose(address: str) -> str:
    """The group that may open a device file, where that can be told."""
    found = re.search(r"(/dev/[\w./-]+?)(::INSTR)?$", address)
    if found is None or os.name != "posix":
        return ": USB instruments need a rule that lets their users open them"
    try:
        group = Path(found[1]).group()
    except (OSError, KeyError):
        return ""
    return f" {found[1]}: become a member of its group {group!r} and log in anew"


def _of_the_link(error: SwitchwalkError, numbers: Collection[int], address: str) -> str:
    if isinstance(error, BenchTimeout) and error.cause == "no line feed":
        return (
            "the termination: it ends its answers with something else than a line feed; set it so in its menu"
        )
    if isinstance(error, BenchTimeout):
        if "::" in address or "://" in address:
            return (
                "it takes the connection and says nothing: another program may hold it (some have a single "
                "connection), this port may not be the one for commands, or the termination is another"
            )
        return "the baud rate of its profile, another kind of board, or another device on this port"
    if isinstance(error, LinkLost) and errno.ECONNREFUSED in numbers:
        return "the address or the port is another, it is switched off, or another program has its connection"
    if isinstance(error, LinkLost) and any(isinstance(each, socket.gaierror) for each in _chain(error)):
        return "the name in the address is no name on this network: write its number"
    if isinstance(error, LinkLost):
        return "the address; else its cable, its power, or another program that took its only connection"
    return ""


def _of_the_answers(error: SwitchwalkError, profile: str) -> str:
    if isinstance(error, InstrumentError) and error.cause == "unknown command":
        return f"it does not know a command of {profile!r}: take another profile, or write one for it"
    if isinstance(error, InstrumentError):
        return f"it refuses a value or a setting: the limits in {profile!r}, or its present mode"
    if isinstance(error, BadReply):
        return (
            f"what answers here is no instrument of the kind that {profile!r} is for, or two programs talk "
            "to it at once"
        )
    if isinstance(error, Desynchronised):
        return "another program talks to it at the same time"
    if isinstance(error, HookupError):
        return "the leads between generator, scope and the relays that select the hookup"
    return ""
