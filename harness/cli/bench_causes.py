"""The likely cause of what an instrument did not do, and what to look at first."""

import errno
import os
import re
from collections.abc import Iterator
from pathlib import Path

from harness.errors import (
    BadReply,
    BenchTimeout,
    Desynchronised,
    HookupError,
    InstrumentError,
    JobError,
    LinkLost,
    SwitchwalkError,
    WrongInstrument,
)

NO_ENTRY = (errno.EACCES, errno.EPERM)
TAKEN = (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK)


def likely_cause(error: SwitchwalkError, *, address: str, profile: str) -> str:
    """Say in a sentence what is most likely wrong, by the error and by what lies under it."""
    said = " / ".join(str(each) for each in _chain(error)).lower()
    numbers = {each.errno for each in _chain(error) if isinstance(each, OSError) and each.errno}
    return (
        _of_files(error, said)
        or _of_the_device(said, numbers, address)
        or _of_the_link(error, said, address)
        or _of_the_answers(error, said, profile)
        or f"it does not do what {profile!r} says: hold its manual against the profile's commands and limits"
    )


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def _of_files(error: SwitchwalkError, said: str) -> str:
    if isinstance(error, JobError):
        return "the profile named in the bench file: its name, its kind, or a mistake in it"
    if "is in use by" in said:
        return "another run has it: wait for that, or end it"
    if isinstance(error, WrongInstrument):
        return (
            "the address is another instrument's, or `identity` in the bench file is not this one's; "
            "`switchwalk find` shows what is there"
        )
    return ""


def _of_the_device(said: str, numbers: set[int], address: str) -> str:
    """Device files: no permission, held by another program, not there."""
    if numbers & set(NO_ENTRY) or "permission denied" in said or "access denied" in said:
        return f"no permission on the device file{_whose(address)}"
    if numbers & set(TAKEN) or "exclusively lock" in said or "resource busy" in said:
        return "another program holds it: a terminal program, a logger; close that one"
    if errno.ENOENT in numbers or "no such file" in said or "filenotfound" in said:
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


def _of_the_link(error: SwitchwalkError, said: str, address: str) -> str:
    if isinstance(error, BenchTimeout) and "without a line feed" in said:
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
    if isinstance(error, LinkLost) and "refused" in said:
        return "the address or the port is another, it is switched off, or another program has its connection"
    if isinstance(error, LinkLost) and "not known on this network" in said:
        return "the name in the address is no name on this network: write its number"
    if isinstance(error, LinkLost):
        return "the address; else its cable, its power, or another program that took its only connection"
    return ""


def _of_the_answers(error: SwitchwalkError, said: str, profile: str) -> str:
    if isinstance(error, InstrumentError) and re.search(r"-1\d\d\b", said):
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
