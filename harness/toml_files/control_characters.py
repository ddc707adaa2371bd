"""Characters that nobody sees, and that steer what shows a text: refused wherever texts come from outside.

Controls (of which escape sequences are made), and marks that turn the direction of writing or hide in a name.
"""

import re
from collections.abc import Iterator, Mapping

from harness.toml_files.located import Key

UNSEEN = re.compile(
    "[\x00-\x08\x0a-\x1f\x7f-\x9f\xad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb]"
)


def unseen(values: object, at: Key = ()) -> Iterator[tuple[Key, str]]:
    """Give where, in what a file says, such characters are: the key, and the first of them by its number."""
    if isinstance(values, str):
        if found := UNSEEN.search(values):
            yield at, f"U+{ord(found[0]):04X}"
    elif isinstance(values, Mapping):
        for key, value in values.items():
            yield from unseen(key, at)
            yield from unseen(value, at if UNSEEN.search(key) else (*at, key))
    elif isinstance(values, list):
        for index, value in enumerate(values):
            yield from unseen(value, (*at, index))


def refusal(character: str) -> str:
    """What is said of one."""
    return f"found a character that cannot be seen ({character}); expected text that shows as it is"
