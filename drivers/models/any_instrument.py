"""The keys of every profile: how an instrument is spoken to on its wire."""

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, field_validator

from drivers.command import ONE_LINE, Count, Positive, ProfileTable
from drivers.models.dialect import ERROR_QUERY, Dialect
from drivers.serial_wire import Line
from drivers.session import TIMEOUT_S
from harness.bench_file import FlowControl, Parity, Terminator, WireFile


class InstrumentProfile(ProfileTable):
    """The keys of every profile; bench.toml may say otherwise of one instrument (`wire`).

    terminator: what ends a line that is sent. answer_terminator: what ends an answer; None: the same.
    echoes: it sends every line back before its answer. answer: what it says to each command that is
    no question; None: nothing. answer_after_questions: it says that behind the answer to a question as well.
    identity_fields: of its answer to *IDN?, separated by commas; 0: it does not
    know *IDN?. error_query: "" if it has no error queue. decimal_comma: the numbers of its answers have a
    comma where others have a point. prompt: what it says behind all else when it takes the next line.
    pause_s: what it needs between two lines.
    """

    role: ClassVar[str]
    description: str = ""
    error_query: str = ERROR_QUERY
    identity_fields: Annotated[int, Field(ge=0, le=5)] = 4
    terminator: Terminator = "LF"
    answer_terminator: Terminator | None = None
    echoes: bool = False
    answer: str | None = None
    answer_after_questions: bool = False
    decimal_comma: bool = False
    prompt: Annotated[str, Field(pattern=r"^[ -~]{0,20}$")] = ""
    timeout_s: Positive = TIMEOUT_S
    pause_s: Annotated[float, Field(ge=0.0, le=10.0)] = 0.0
    baud_rate: Count = 9600
    data_bits: Literal[7, 8] = 8
    parity: Parity = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: FlowControl = "none"
    dtr: bool = False
    rts: bool = False

    @field_validator("error_query")
    @classmethod
    def _one_line(cls, value: str) -> str:
        if value and not ONE_LINE.fullmatch(value):
            raise ValueError(
                f'expected a question as one line of plain text, or "" for none, found {value!r}'
            )
        return value

    def line(self, wire: WireFile) -> Line:
        """The settings of a serial port: the bench file's, and of what that leaves out the profile's."""
        names = ("baud_rate", "data_bits", "parity", "stop_bits", "flow_control", "dtr", "rts")
        return Line(**{name: self._chosen(wire, name) for name in names})

    def dialect(self, wire: WireFile) -> Dialect:
        """How lines are sent and answered: by the bench file, and what that leaves out by the profile."""
        terminator: Terminator = self._chosen(wire, "terminator")
        return Dialect(
            terminator=terminator,
            answer_terminator=self._chosen(wire, "answer_terminator") or terminator,
            echoes=self.echoes,
            answer=self.answer,
            answer_after_questions=self.answer_after_questions,
            identity_fields=self.identity_fields,
            error_query=self.error_query,
            decimal_comma=self.decimal_comma,
            prompt=self.prompt,
            pause_s=self.pause_s,
        )

    def timeout(self, wire: WireFile) -> float:
        """The seconds that an answer may take."""
        return float(self._chosen(wire, "timeout_s"))

    def _chosen(self, wire: WireFile, name: str) -> Any:
        """The bench file's value of a key, or else the profile's."""
        written = getattr(wire, name)
        return getattr(self, name) if written is None else written
