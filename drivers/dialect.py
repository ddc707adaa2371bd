"""How an instrument is spoken to, apart from the words of its commands."""

from dataclasses import dataclass

from harness.bench_file import Terminator

ERROR_QUERY = "SYSTem:ERRor?"
ENDINGS: dict[Terminator, bytes] = {"LF": b"\n", "CR LF": b"\r\n", "CR": b"\r", "none": b""}


@dataclass(frozen=True, kw_only=True)
class Dialect:
    """How an instrument is spoken to, apart from its commands; the fields are those of a profile."""

    terminator: Terminator = "LF"
    answer_terminator: Terminator = "LF"
    echoes: bool = False
    answer: str | None = None
    identity_fields: int = 4
    error_query: str = ERROR_QUERY
    pause_s: float = 0.0

    @property
    def ending(self) -> bytes:
        """What is sent behind each line."""
        return ENDINGS[self.terminator]

    @property
    def answers_end(self) -> bytes:
        """The byte at which an answer ends; b"" if only silence ends it."""
        return ENDINGS[self.answer_terminator][-1:]


SCPI = Dialect()
