"""What can be a serial number."""

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.job.sequence import Sequence

LONGEST_SERIAL = 64


def serial_mistake(serial: str, sequence: "Sequence") -> str:
    """Say what is wrong with a serial number; "" where nothing is."""
    if not serial or len(serial) > LONGEST_SERIAL or not serial.isprintable() or serial != serial.strip():
        return f"expected 1 to {LONGEST_SERIAL} printable characters, no space at the ends"
    pattern = sequence.serial_pattern
    if pattern is not None and re.fullmatch(pattern, serial) is None:
        return f"the sequence wants the pattern {pattern}"
    return ""


def is_serial(text: str, sequence: "Sequence") -> bool:
    """Whether a text is plainly a serial number: it matches the sequence's pattern, where there is one."""
    return sequence.serial_pattern is not None and not serial_mistake(text, sequence)
