"""What a test knows to be there, though its type allows None."""

from typing import TypeVar

T = TypeVar("T")


def known(value: T | None) -> T:
    """The value; the test fails if there is none."""
    assert value is not None
    return value
