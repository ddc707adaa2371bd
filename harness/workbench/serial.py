"""What can be a serial number."""

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.descriptions.sequence import Sequence

LONGEST_SERIAL = 64


def serial_mistake(serial: str, sequence: "Sequence") -> str:
    """Say what is wrong with a serial number; "" where nothing is."""
    if not serial or len(serial) > LONGEST_SERIAL or not serial.isprintable() or serial != serial.strip():
        return f"expected 1 to {LONGEST_SERIAL} printable characters, no space at the ends"
    pattern = sequence.serial_pattern
    if pattern is not None and re.fullmatch(pattern, serial) is None:
        return f"the sequence wants the pattern {pattern}"
    return ""
