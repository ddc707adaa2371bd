"""Reads a completed record: its scale, and its samples input by input, in pieces, or all in one answer."""

from collections.abc import Callable, Sequence

import numpy as np

from drivers.models.expected_answer import same_answer
from drivers.scope.oscilloscope_profile import OscilloscopeKeys, Source
from drivers.scope.record_check import Unmet
from drivers.scope.samples import Samples, by_input, from_block, from_text, looks_swapped
from drivers.scope.scaling import Answers, RecordScale, record_scale
from drivers.session import Session
from drivers.wire import CutShort
from harness.errors import BadReply, BenchError, BenchTimeout, ProfileMismatch

MARGIN_S = 5.0  # for the instrument's own thinking
SLOWEST_BYTES_PER_S = 50e3
TEXT_BYTES = 16  # of a number in a list, at most
FORMAT_KEYS = "samples, sample_bits, sample_signed, byte_order and commands.waveform_format"
Check = Callable[[int, RecordScale, Sequence[RecordScale]], Unmet | None]
"""What the scale of an input should have been and isn't; it gets those of the inputs before as well."""


class RecordReader:
    """Reads what the scope has recorded, in the way of its profile.

    factor: of a probe that the scope does not know of, 1 otherwise. check: is asked before samples are.
    """

    def __init__(self, session: Session, profile: OscilloscopeKeys, *, factor: float, check: Check) -> None:
        self._session, self._profile, self._factor, self._check = session, profile, factor, check

    def read(self, inputs: Sequence[int], points: int) -> tuple[list[RecordScale], list[Samples]]:
        """The scales and the samples of the inputs, in their order.

        points: of the whole record, as they were asked for. Raises BadReply, ProfileMismatch where a key of
        the profile explains it.
        """
        scales: list[RecordScale] = []
        samples: list[Samples] = []
        together = self._profile.answer_holds != "one_input"
        for n in inputs:
            scales.append(self._scale(n, points, scales))
            if not together:
                samples.append(self._of_input(n, scales[-1].points))
        if together:
            samples = self._of_all(inputs, scales[0].points)
        for n, record in zip(inputs, samples, strict=True):
            if record.size == 0:
                raise self.mismatch(f"sends no samples of input {n}", "commands.data_query", self._asked(n))
            if record.size != samples[0].size:
                what = f"sends {record.size} samples of input {n} and {samples[0].size} of input {inputs[0]}"
                raise self.mismatch(what, "commands.data_query and scaling.points", self._asked(n))
            if looks_swapped(record):
                what = (
                    f"sends samples of input {n} that are a smooth signal only with their two bytes swapped"
                )
                raise self.mismatch(what, "byte_order", self._asked(n))
        return scales, samples

    def refused(self, unmet: Unmet, n: int, said: str = "") -> BenchError:
        """The error for a record of input n that is not what was asked for."""
        what = f"expected {unmet.wanted} from input {n}" + (f", found {said!r}" if said else "")
        if unmet.keys:
            return self.mismatch(what, unmet.keys, self._asked(n))
        self._session.dirty = True
        return self._session.error(what, self._asked(n), BadReply)

    def mismatch(self, what: str, keys: str, command: str) -> BenchError:
        """The error for what contradicts the profile; the session is unusable from here on."""
        self._session.dirty = True
        return self._session.error(f"{what}. Look at {keys} in its profile", command, ProfileMismatch)

    # -- the scale -----------------------------------------------------------------------------------------

    def _scale(self, n: int, points: int, before: Sequence[RecordScale]) -> RecordScale:
        commands, profile = self._profile.commands, self._profile
        if commands.waveform_source is not None:
            self._session.write(commands.waveform_source(n=n))
        self._window(0, points)  # whole: else some say the points of the piece that was read last
        said: list[str] = []

        def ask(source: Source) -> str:
            if source.query is None:
                return ""
            said.append(self._session.query(source.query(n=n)))
            return said[-1]

        preamble = ""
        sources = (*profile.scaling.sources, *profile.expected)
        if commands.preamble_query is not None and any(source.in_preamble for source in sources):
            preamble = ask(Source(query=commands.preamble_query))
        try:
            answers = Answers(preamble, ask, fields=profile.scaling.fields, n=n)
            for source, expected in profile.expected.items():
                self._compare(source, answers.text(source), expected, n)
            in_volts = profile.codes is None
            scale = record_scale(profile.scaling, answers, in_volts=in_volts, factor=self._factor)
        except ValueError as error:
            raise self._session.bad_reply(str(error), "; ".join(said), self._asked(n)) from None
        unmet = self._check(n, scale, before)
        if unmet is not None:
            raise self.refused(unmet, n, "; ".join(said))
        return scale

    def _compare(self, source: Source, found: str, expected: str, n: int) -> None:
        if not same_answer(found, expected):
            what = f"says {found!r} of its format ({source}), where the profile expects {expected!r}"
            raise self.mismatch(what, f"expects, {FORMAT_KEYS}", self._asked(n))

    def _asked(self, n: int) -> str:
        """The question that a mistake in a scale or a record is reported with."""
        query = self._profile.commands.preamble_query
        return query(n=n) if query is not None else self.data_query(n)

    # -- the samples ---------------------------------------------------------------------------------------

    def _of_all(self, inputs: Sequence[int], points: int | None) -> list[Samples]:
        # A scope without a command that takes an input out of its records sends all that it has.
        sent = (
            inputs if self._profile.commands.display_off is not None else range(1, self._profile.inputs + 1)
        )
        blocks = len(sent) if self._profile.answer_holds == "a_block_each" else 1
        answer = self._answer(inputs[0], 0, None if points is None else points * len(sent), blocks=blocks)
        interleaved = self._profile.answer_holds == "inputs_interleaved"
        try:
            every = dict(zip(sent, by_input(answer, len(sent), interleaved=interleaved), strict=True))
            return [every[n] for n in inputs]
        except ValueError as error:
            raise self.mismatch(f"expected {error}", "answer_holds", self._asked(inputs[0])) from None

    def _of_input(self, n: int, points: int | None) -> Samples:
        limit = self._profile.points_per_read
        if limit is None or points is None or points <= limit:
            return self._answer(n, 0, points)
        pieces: list[Samples] = []
        for start in range(0, points, limit):
            count = min(limit, points - start)
            self._window(start, count)
            pieces.append(self._answer(n, start, count))
            if start and np.ptp(pieces[-1]) and np.array_equal(pieces[-1], pieces[-2]):
                what = f"sends the same {count} samples of input {n} for two pieces of a record"
                raise self.mismatch(what, "points_per_read and commands.window_start", self._asked(n))
        return np.concatenate(pieces)

    def _window(self, start: int, count: int) -> None:
        """Ask for `count` samples from the one with index `start`, if the scope has commands for that."""
        commands, first = self._profile.commands, self._profile.first_sample + start
        for command in (commands.window_start, commands.window_stop):
            if command is not None:
                end = first + count
                self._session.write(command(start=first, stop=end - 1, end=end, count=count))

    def data_query(self, n: int, start: int = 0, count: int | None = None) -> str:
        """The query for samples of input n: for `count`, or for as many as there can be."""
        first, count = self._profile.first_sample + start, count or self._profile.record_length_max
        end = first + count
        return self._profile.commands.data_query(n=n, start=first, stop=end - 1, end=end, count=count)

    def _answer(self, n: int, start: int, count: int | None, *, blocks: int = 1) -> Samples:
        """One answer: of `count` samples, or of as many as there are if the scope does not say.

        blocks: in how many blocks of equal length binary samples come.
        """
        query = self.data_query(n, start, count)
        if self._profile.samples == "binary":
            return self._binary(query, n, count, blocks)
        samples = self._text(query, n, count)
        ends = self._profile.codes
        if ends is None:
            return samples
        if not (np.rint(samples) == samples).all() or samples.min() < ends[0] or samples.max() > ends[1]:
            what = f"sends a list with numbers that are no codes from {ends[0]} to {ends[1]}"
            raise self.mismatch(
                what, 'samples ("text_volts" if these are volts), code_min and code_max', query
            )
        return samples

    def _binary(self, query: str, n: int, count: int | None, blocks: int) -> Samples:
        profile = self._profile
        expected = None if count is None else count // blocks * profile.sample_bits // 8
        length = blocks * (expected or profile.record_length_max * profile.sample_bits // 8)
        try:
            block = self._session.query_block(
                query,
                expected=expected,
                timeout_s=MARGIN_S + length / SLOWEST_BYTES_PER_S,
                terminated=profile.block_terminated,
                prefix=profile.prefix_of(n),
                blocks=blocks,
            )
            return from_block(block, profile)
        except BenchTimeout as error:
            if not isinstance(error.__cause__, CutShort):
                raise
            keys = "points_per_read, sample_bits, answer_holds and scaling.points"
            what = f"{error.__cause__}; if every record ends there, look at {keys} in its profile"
            raise self._session.error(what, query, BenchTimeout) from error
        except BadReply as error:
            what = f"{error.__cause__ or 'sends no block of samples'}"
            keys = "sample_bits, samples, block_prefix and block_terminated"
            if profile.points_per_read is not None:
                keys = f"points_per_read, first_sample, {keys}"
            raise self.mismatch(what, keys, query) from error
        except ValueError as error:
            raise self.mismatch(f"expected {error}", "sample_bits", query) from None

    def _text(self, query: str, n: int, count: int | None) -> Samples:
        timeout_s = MARGIN_S + TEXT_BYTES * (count or self._profile.record_length_max) / SLOWEST_BYTES_PER_S
        keys = "samples, text_in_block and commands.waveform_format"
        try:
            if self._profile.text_in_block:
                block = self._session.query_block(
                    query,
                    timeout_s=timeout_s,
                    terminated=self._profile.block_terminated,
                    prefix=self._profile.prefix_of(n),
                )
                text = self._session.with_points(block.decode("ascii", "replace"))
            else:
                text = self._session.query(query, timeout_s=timeout_s).strip()
                prefix = self._profile.prefix_of(n)
                text = text[len(prefix) :] if text.upper().startswith(prefix.upper()) else text
            samples = from_text(text)
        except BadReply as error:
            what = f"{error.__cause__ or 'sends no list of numbers'}"
            raise self.mismatch(what, f"{keys}; a longer list needs points_per_read", query) from error
        except ValueError as error:
            raise self.mismatch(f"expected {error}", keys, query) from None
        if count is not None and samples.size != count:
            keys += ", answer_holds and scaling.points"
            raise self.mismatch(f"expected {count} numbers, found {samples.size}", keys, query)
        return samples
