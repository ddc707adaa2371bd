"""A profile is asked for key by key; each command is tried on the instrument before the next is asked for."""

from collections.abc import Iterator, Mapping
from typing import Any, Protocol

from drivers.command import Command
from drivers.profile import parse_profile
from drivers.safe_end import Off
from drivers.serial_wire import is_serial
from drivers.transcript import Transcript
from harness.errors import BenchError, JobError, UsageError, nearest
from harness.session.profile_trials.answers import (
    NO_QUEUE,
    NONE,
    AnswerRefused,
    ProfileAnswers,
    field_of,
    keys_of_kind,
    read_answer,
    takes_lines,
)
from harness.session.profile_trials.live import SPOKEN_TO, LiveInstrument
from harness.session.profile_trials.questions import (
    DESCRIPTION,
    IDENTITY,
    IS_SERIAL,
    LINE,
    LINES_OF_TEXT,
    QUESTIONS,
    Question,
)

OF_CONNECTION = {each.key for each in (*DESCRIPTION, *LINE, *LINES_OF_TEXT, *IDENTITY)}


class Person(Protocol):
    """Who answers: at a terminal, or a file that was piped in, which can't be asked again."""

    @property
    def can_correct(self) -> bool:
        """Whether a wrong answer is asked for again."""
        ...

    def ask(self, words: str) -> str:
        """The answer, without spaces around it. Raises EOFError if there are no more."""
        ...

    def say(self, text: str) -> None:
        """Tell what was tried."""
        ...


class Interview:
    """Asks for a profile of one kind. like: the values of another profile, which Enter takes.

    Answers that were kept before are taken and tried again. Raises UsageError for a wrong answer, and
    BenchError for a command that the instrument does not take, if the person can't correct it.
    """

    def __init__(
        self,
        answers: ProfileAnswers,
        person: Person,
        *,
        address: str,
        like: Mapping[str, Any],
        transcript: Transcript | None,
    ) -> None:
        self._answers, self._person, self._like = answers, person, like
        self._kind, self._address = answers.kind, address
        self._transcript = transcript
        self._live: LiveInstrument | None = None
        self._given = _GivenSoFar(answers, {IS_SERIAL: True} if is_serial(address) else {})

    def close(self) -> None:
        """Close the connection to the instrument; never raises."""
        if self._live is not None:
            self._live.close()

    def hold(self, offs: dict[str, Off]) -> None:
        """Ask everything. offs: receives what makes the instrument safe."""
        questions = QUESTIONS[self._kind]
        speaks = self._kind in SPOKEN_TO
        first = [each for each in questions if speaks and each.key in OF_CONNECTION]
        if speaks:
            self._connect(first, offs)
        for question in questions[len(first) :]:
            self._answer(question)
        self._agree(questions)

    def _agree(self, questions: tuple[Question, ...]) -> None:
        """Have keys answered again until no two answers contradict each other. Raises JobError if none is."""
        by_key = {question.key: question for question in questions}
        while True:
            try:
                parse_profile(self._answers.text(), self._answers.path.name)
            except JobError as error:
                if not self._person.can_correct:
                    raise
                self._person.say(f"NOT OK: {error}")
                key = self._person.ask("a key to answer again, such as scaling.points; Enter stops: ")
                if not key:
                    raise
            else:
                return
            if key in by_key:
                kept = self._answers.values.get(key)
                self._like = {**self._like, key: kept} if kept is not None else self._like
                self._answers.drop(key)
                self._answer(by_key[key])
            else:
                meant = nearest(key, by_key)
                hint = f"; did you mean {meant}?" if meant else ""
                self._person.say(f"{key} is no key of this kind{hint}")

    def _connect(self, questions: list[Question], offs: dict[str, Off]) -> None:
        """Ask how the instrument is spoken to until it answers."""
        while self._live is None:
            for question in questions:
                self._answer(question)
            try:
                self._live = LiveInstrument(
                    self._kind, self._address, self._given, offs=offs, transcript=self._transcript
                )
            except BenchError as error:
                if not self._person.can_correct:
                    raise
                self._person.say(f"NOT OK: {error}")
                self._like = {**self._like, **self._answers.values}
                for question in questions:
                    self._answers.drop(question.key)
        if self._live.identity:
            self._person.say(f"answers as {self._live.identity!r}")

    def _answer(self, question: Question) -> None:
        """Ask one question until its answer can be one and is tried; a person may insist on what failed."""
        key, failed = question.key, None
        if not question.when(self._given) or key in self._answers.left_out:
            return
        value = self._answers.values.get(key)
        while True:
            if value is None or failed is not None:
                value = self._asked(question, failed)
            self._answers.put(key, value)
            if value is None or value == failed or self._live is None:
                return
            try:
                message = self._live.tried(key, value)
            except BenchError as error:
                if not self._person.can_correct:
                    self._answers.drop(key)
                    raise
                self._person.say("NOT OK: " + "; ".join([str(error), *getattr(error, "__notes__", [])]))
                failed = value
            else:
                if message:
                    self._person.say(message)
                return

    def _asked(self, question: Question, failed: Any) -> Any:
        """An answer that can be one; None if the key is left out."""
        key = question.key
        default = self._like.get(key) if failed is None else failed
        required = field_of(self._kind, key).is_required()
        if takes_lines(self._kind, key):
            return self._asked_lines(question, default)
        while True:
            try:
                text = self._person.ask(f"{key}: {question.words}{self._shown(key, default)}: ")
                if text and (text != NONE or key == NO_QUEUE):
                    return read_answer(self._kind, key, text)
                value = None if text == NONE else default
                if value is None and required:
                    raise AnswerRefused("expected an answer: a profile of this kind needs it")
                return value
            except AnswerRefused as error:
                self._refuse(key, error)

    def _asked_lines(self, question: Question, default: Any) -> Any:
        """Several answers, up to an empty one; None if there is none."""
        result: Any = None
        words = f"{question.key}: {question.words}{self._shown(question.key, default)}: "
        while text := self._person.ask(words):
            if text == NONE:
                return None
            try:
                value = read_answer(self._kind, question.key, text)
            except AnswerRefused as error:
                self._refuse(question.key, error)
            else:
                result = (
                    value if result is None else result | value if isinstance(value, dict) else result + value
                )
            words = f"{question.key}: another one: "
        return default if result is None else result

    def _refuse(self, key: str, error: AnswerRefused) -> None:
        if not self._person.can_correct:
            raise UsageError(f"the answer to {key}: {error}") from None
        self._person.say(f"{key}: {error}")

    def _shown(self, key: str, default: Any) -> str:
        """What Enter takes."""
        if default is None:
            field = field_of(self._kind, key)
            default = None if field.is_required() else field.get_default(call_default_factory=True)
            if default in (None, (), "", {}):
                return "" if field.is_required() else " [none]"
        return f" [{_as_typed(default)}]"


class _GivenSoFar(Mapping[str, Any]):
    """The answers so far, and the defaults of keys that were left out."""

    def __init__(self, answers: ProfileAnswers, more: Mapping[str, Any]) -> None:
        self._answers, self._more = answers, more
        fields = {key: field_of(answers.kind, key) for key in keys_of_kind(answers.kind)}
        defaults = {
            key: field.get_default(call_default_factory=True)
            for key, field in fields.items()
            if not field.is_required()
        }
        self._defaults = {key: value for key, value in defaults.items() if value is not None}

    def _all(self) -> dict[str, Any]:
        return {**self._defaults, **self._more, **self._answers.values}

    def __getitem__(self, key: str) -> Any:
        return self._all()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._all())

    def __len__(self) -> int:
        return len(self._all())


def _as_typed(value: Any) -> str:
    if isinstance(value, bool):
        return "y" if value else "n"
    if isinstance(value, dict):
        return "; ".join(f"{source} = {text}" for source, text in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(map(_as_typed, value))
    return value.text if isinstance(value, Command) else f"{value}"
