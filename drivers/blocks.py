"""Definite-length blocks of IEEE 488.2, 8.7.9: their headers, and what stands around them."""

LONGEST_BLOCK = 1 << 26  # where nobody knows how long it should be


def check_separator(found: bytes) -> None:
    """Raise ValueError if that is not what separates two blocks of one answer. Source: IEEE 488.2, 8.4."""
    if found not in (b",", b";"):
        raise ValueError(f"expected a comma or a semicolon before the next block, found {found!r}")


def check_prefix(found: bytes, prefix: bytes) -> None:
    """Raise ValueError if the text before a block is another one; case does not matter."""
    if found.upper() != prefix.upper():
        raise ValueError(f"expected {prefix!r} before a block of data, found {found!r}")


def block_digits(head: bytes) -> int:
    """How many digits the length of a block has, from its first two bytes `#n`.

    IEEE 488.2, 8.7.9. 0: the indefinite form, whose length is not announced.
    """
    if head[:1] != b"#" or not head[1:2].isdigit():
        raise ValueError(f"expected a block of data (#, a digit, a length), found {head!r}")
    return int(head[1:2])


def block_length(digits: bytes, expected: int | None) -> int:
    """The number of bytes that a block announces; refused where it is not what was asked for.

    digits: none of a block of indefinite length. Only an END message ends that, which a raw socket or a
    serial line doesn't have: there it is as long as expected, and refused where nobody knows how long.
    """
    if not digits and expected is not None:
        return expected
    if not digits:
        raise ValueError(
            "found a block of indefinite length (#0), which nothing ends on this wire; expected "
            "scaling.points in the profile, from which its length is known"
        )
    if not digits.isdigit():
        raise ValueError(f"expected the length of a block in digits, found {digits!r}")
    length = int(digits)
    if expected is None and length > LONGEST_BLOCK:
        raise ValueError(f"expected a block of {LONGEST_BLOCK} bytes at most, and {length} are announced")
    if expected is not None and length != expected:
        raise ValueError(f"expected a block of {expected} bytes, and the instrument announces {length}")
    return length


def blocks_of(
    message: bytes, expected: int | None, prefix: bytes, blocks: int, prompt: bytes
) -> tuple[bytearray, bytes]:
    """The bytes of so many blocks that are one message, one after the other; and the prompt, if one follows.

    Each has the prefix before it and the expected length; None: any length. Raises ValueError.
    """
    data = bytearray()
    for number in range(blocks):
        if number:
            check_separator(message[:1])
            message = message[1:]
        check_prefix(message[: len(prefix)], prefix)
        message = message[len(prefix) :]
        if message[:2] == b"#0" and expected is None and blocks == 1:  # the message's end is the block's
            prompted = bool(prompt) and message.endswith(b"\n" + prompt)
            message = message.removesuffix(prompt) if prompted else message
            return bytearray(message[2:].removesuffix(b"\n")), prompt if prompted else b""
        digits = block_digits(message[:2])
        length = block_length(message[2 : 2 + digits], expected)
        if len(message) < 2 + digits + length:
            found = len(message) - 2 - digits
            raise ValueError(f"expected a block of {length} bytes, and the message ends after {found}")
        data += message[2 + digits : 2 + digits + length]
        message = message[2 + digits + length :]
    left = message.strip(b"\r\n\0")
    if left not in (b"", prompt):
        raise ValueError(
            f"expected the end of a message behind a block of {length} bytes, found {message[:20]!r}"
        )
    return data, left
