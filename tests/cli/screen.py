"""What a terminal of so many columns and rows shows of the bytes that were sent to it.

As far as ECMA-48 is needed for a view that is drawn over itself: carriage return, line feed, cursor up,
erase in line, character attributes, and the private modes of the cursor.
"""

import re

CONTROL = re.compile(r"\x1b\[(\??)([0-9;]*)([A-Za-z])")
COLOURS = {*range(30, 38), *range(40, 48), *range(90, 98), 38, 48}


class Screen:
    """Rows of text, the cursor, and which attributes were asked for."""

    def __init__(self, *, columns: int, rows: int) -> None:
        self.columns, self.height = columns, rows
        self.rows = [""]
        self.gone: list[str] = []
        self.row = self.column = 0
        self.cursor_shown = True
        self.attributes: set[int] = set()
        self._held = ""

    @property
    def text(self) -> str:
        """All that is on the screen."""
        return "\n".join(row.rstrip() for row in self.rows)

    def feed(self, text: str) -> None:
        """Show more; a sequence that is cut off waits for its end."""
        text, self._held = self._held + text, ""
        place = 0
        while place < len(text):
            if text[place] == "\x1b":
                result = CONTROL.match(text, place)
                if result is None:
                    assert len(text) - place < 16, (
                        f"not of ECMA-48 as drawn here: {text[place : place + 16]!r}"
                    )
                    self._held = text[place:]
                    return
                self._control(*result.groups())
                place = result.end()
            else:
                self._letter(text[place])
                place += 1

    def _letter(self, letter: str) -> None:
        if letter == "\r":
            self.column = 0
        elif letter == "\n":
            self._down()
        elif letter != "\x07":
            if self.column == self.columns:  # the line is full: a terminal goes on in the next
                self.column = 0
                self._down()
            row = self.rows[self.row].ljust(self.column)
            self.rows[self.row] = row[: self.column] + letter + row[self.column + 1 :]
            self.column += 1

    def _down(self) -> None:
        self.row += 1
        if self.row == len(self.rows):
            self.rows.append("")
        if len(self.rows) > self.height:
            self.gone.append(self.rows.pop(0))
            self.row -= 1

    def _control(self, private: str, numbers: str, final: str) -> None:
        if private:
            if numbers == "25":
                self.cursor_shown = final == "h"
            return
        if final == "A":
            self.row = max(0, self.row - int(numbers or 1))
        elif final == "K":
            assert numbers == "2"
            self.rows[self.row] = ""
        else:
            assert final == "m", f"not drawn here: {final!r}"
            self.attributes |= {int(number or 0) for number in numbers.split(";")}
