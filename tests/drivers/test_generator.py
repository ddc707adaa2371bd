"""The generator's driver against a strict instrument on a real socket."""

from collections.abc import Iterator, Sequence

import pytest

from drivers.generator_and_supply import ScpiGenerator
from drivers.session import Session
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, SettingRefused
from tests.drivers.own_profiles import profile
from tests.drivers.peers import Connection, Peer, peer
from tests.drivers.strict_instruments import Generator

Rig = tuple[ScpiGenerator, Generator, Peer]


@pytest.fixture
def rig() -> Iterator[Rig]:
    instrument = Generator()
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="generator", timeout_s=0.5)
        session.start()
        generator = ScpiGenerator(session, profile("scpi-generator"), profile_name="scpi-generator")
        yield generator, instrument, served
        session.close()
    assert instrument.unknown == []


def test_opening_leaves_every_output_off_and_open_circuit(rig: Rig) -> None:
    _, instrument, _ = rig
    assert instrument.on == {1: False, 2: False}
    assert instrument.load == {1: "INF", 2: "INF"}
    assert instrument.function == {1: "SIN", 2: "SIN"}
    assert instrument.values == {("offset", 1): 0.0, ("offset", 2): 0.0}


def test_it_sends_the_commands_of_its_profile_to_the_letter(rig: Rig) -> None:
    generator, _, served = rig
    before = len(served.heard)
    generator.sine(2, frequency_hz=1000.0 / 3.0, amplitude_vpp=2.4, phase_deg=180.0)
    assert served.heard[before:] == [
        b"SOURce2:FREQuency 333.333333333",
        b"SOURce2:VOLTage 2.4",
        b"SOURce2:PHASe 180",
        b"SYSTem:ERRor?",
        b"SOURce2:VOLTage?",
    ]


def test_only_what_changes_is_sent_again(rig: Rig) -> None:
    generator, _, served = rig
    generator.sine(1, frequency_hz=1000.0, amplitude_vpp=2.0)
    before = len(served.heard)
    generator.sine(1, frequency_hz=1000.0, amplitude_vpp=2.0)
    generator.sine(1, frequency_hz=1000.0, amplitude_vpp=0.1)
    again = [b"SOURce1:VOLTage?"]
    assert served.heard[before:] == [*again, b"SOURce1:VOLTage 0.1", b"SYSTem:ERRor?", *again]


def test_an_output_is_switched_and_read_back(rig: Rig) -> None:
    generator, instrument, _ = rig
    generator.switch(1, on=True)
    assert instrument.on == {1: True, 2: False}
    instrument.stuck_on = 1
    with pytest.raises(BenchError, match="output 1 was switched off and reads on"):
        generator.switch(1, on=False)


@pytest.mark.parametrize(
    ("output", "frequency_hz", "amplitude_vpp", "phase_deg", "message"),
    [
        (3, 1e3, 1.0, 0.0, "outputs 1 to 2"),
        (1, 1e9, 1.0, 0.0, "frequency in Hz: 0.001 to 1e"),
        (1, 1e3, 25.0, 0.0, "amplitude in Vpp: 0.002 to 20 by its profile, asked for 25"),
        (1, float("nan"), 1.0, 0.0, "asked for nan"),
        (1, 1e3, 1.0, 400.0, "phase in degrees"),
    ],
)
def test_what_the_profile_does_not_have_is_never_sent(
    rig: Rig, output: int, frequency_hz: float, amplitude_vpp: float, phase_deg: float, message: str
) -> None:
    generator, _, served = rig
    before = len(served.heard)
    with pytest.raises(BenchError, match=message):
        generator.sine(output, frequency_hz=frequency_hz, amplitude_vpp=amplitude_vpp, phase_deg=phase_deg)
    assert len(served.heard) == before


def test_a_refused_setting_is_the_instruments_own_error_and_is_sent_again_next_time(rig: Rig) -> None:
    generator, instrument, served = rig
    instrument.table[r"SOURce#:VOLTage $"] = lambda n, x: instrument.refuse()
    for _ in range(2):
        with pytest.raises(SettingRefused, match="-222"):
            generator.sine(1, frequency_hz=1e3, amplitude_vpp=15.0)
    assert served.heard.count(b"SOURce1:VOLTage 15") == 2


def test_off_works_on_a_link_that_needs_reopening(rig: Rig) -> None:
    generator, instrument, served = rig
    generator.switch(1, on=True)

    def silent(connection: Connection, heard: str) -> bool:
        return heard == "SYSTem:ERRor?" and connection.number == 1

    instrument.trouble = silent
    with pytest.raises(BenchError):
        generator.sine(1, frequency_hz=1e3, amplitude_vpp=1.0)
    with pytest.raises(Desynchronised):
        generator.sine(1, frequency_hz=1e3, amplitude_vpp=1.0)
    generator.off()
    assert instrument.on == {1: False, 2: False}
    assert served.connections == 2


def test_off_works_where_the_connection_was_dropped_unseen(rig: Rig) -> None:
    generator, instrument, served = rig
    generator.switch(2, on=True)
    served.drop()
    generator.off()
    assert instrument.on == {1: False, 2: False}


def test_off_tries_the_other_output_where_one_is_stuck_and_says_which(rig: Rig) -> None:
    generator, instrument, _ = rig
    generator.switch(1, on=True)
    generator.switch(2, on=True)
    instrument.stuck_on = 1
    with pytest.raises(BenchError, match="output 1 was switched off and reads on"):
        generator.off()
    assert instrument.on[2] is False


@pytest.mark.parametrize(
    ("template", "sent"),
    [
        ("SOURce{n}:VOLTage {vrms}", "1"),  # 2 sqrt(2) V peak to peak is 1 V RMS
        ("SOURce{n}:VOLTage {vpk}", "1.41421356237"),
        ("SOURce{n}:VOLTage {vpp}", "2.82842712475"),
    ],
)
def test_an_instrument_may_count_its_amplitude_in_another_unit(template: str, sent: str) -> None:
    own = profile("scpi-generator", {"SOURce{n}:VOLTage {vpp}": template})
    instrument = Generator()
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="generator")
        session.start()
        generator = ScpiGenerator(session, own, profile_name="own")
        generator.sine(1, frequency_hz=1e3, amplitude_vpp=2.0 * 2.0**0.5)
        assert f"SOURce1:VOLTage {sent}".encode() in served.heard
        session.close()


def test_a_setting_that_reads_back_as_another_is_refused_where_the_profile_asks() -> None:
    own = profile("scpi-generator", {"[commands]": '[commands]\nfrequency_query = "SOURce{n}:FREQuency?"'})
    instrument = Generator()
    instrument.table[r"SOURce#:FREQuency?"] = lambda n: f"{instrument.values['frequency', int(n)]:.6E}"
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="generator")
        session.start()
        generator = ScpiGenerator(session, own, profile_name="own")
        generator.sine(1, frequency_hz=1234.5678, amplitude_vpp=1.0)  # rounded to 1234.568: allowed
        instrument.table[r"SOURce#:FREQuency?"] = lambda n: "1000"
        with pytest.raises(
            BenchError, match="frequency of output 1 was set to 5000 and reads back 1000; see"
        ):
            generator.sine(1, frequency_hz=5000.0, amplitude_vpp=1.0)
        session.close()


@pytest.mark.parametrize("down_db", [-3.0, -0.2, 0.2, 3.0])
def test_a_level_that_is_not_what_was_set_is_told_with_both_figures(rig: Rig, down_db: float) -> None:
    generator, instrument, _ = rig
    factor = 10.0 ** (down_db / 20.0)
    instrument.table[r"SOURce#:VOLTage?"] = lambda n: f"{factor * instrument.values['amplitude', int(n)]:.4E}"
    with pytest.raises(BenchError) as caught:
        generator.sine(2, frequency_hz=1e3, amplitude_vpp=2.0)
    figures = f"the level of output 2 was set to 2 and reads back {2.0 * factor:.4g}"
    assert figures[:-1] in str(caught.value)  # the last digit is rounded twice
    assert f"{down_db:+.1f} dB" in str(caught.value)
    instrument.table[r"SOURce#:VOLTage?"] = lambda n: f"{instrument.values['amplitude', int(n)]:.3E}"
    generator.sine(2, frequency_hz=1e3, amplitude_vpp=2.0)


@pytest.mark.parametrize("amplitude_vpp", [0.0123456, 1.23456, 19.9996])
def test_a_level_that_is_rounded_is_what_was_set(rig: Rig, amplitude_vpp: float) -> None:
    generator, instrument, _ = rig
    instrument.table[r"SOURce#:VOLTage?"] = lambda n: f"{instrument.values['amplitude', int(n)]:.2E}"
    generator.sine(1, frequency_hz=1e3, amplitude_vpp=amplitude_vpp)


UNKNOWN, UNTERMINATED = '-113,"Undefined header"', '-420,"Query UNTERMINATED"'


def answer_to_level_query(instrument: Generator, errors: Sequence[str], answer: str | None) -> None:
    def ask(n: str) -> str | None:
        instrument.errors += errors
        return answer

    instrument.table[r"SOURce#:VOLTage?"] = ask


@pytest.mark.parametrize("answer", [None, ""], ids=["silent", "an empty line"])
@pytest.mark.parametrize(
    "errors",
    [(UNKNOWN,), (UNKNOWN, UNTERMINATED), (UNTERMINATED, UNKNOWN)],
    ids=["-113", "-113 -420", "-420 -113"],
)
def test_a_generator_that_does_not_know_the_query_of_its_level_is_said_and_used(
    errors: Sequence[str], answer: str | None, caplog: pytest.LogCaptureFixture
) -> None:
    """Which errors it leaves on a bus with messages: IEEE 488.2 and SCPI-1999 21.8, from memory."""
    instrument = Generator()
    answer_to_level_query(instrument, errors, answer)
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="generator", timeout_s=0.2)
        session.start()
        generator = ScpiGenerator(session, profile("scpi-generator"), profile_name="scpi-generator")
        generator.sine(1, frequency_hz=1e3, amplitude_vpp=1.0)
        generator.recover()
        generator.sine(1, frequency_hz=1e3, amplitude_vpp=1.0)
        assert served.heard.count(b"SOURce1:VOLTage?") == 1
        session.close()
    (said,) = [record.getMessage() for record in caplog.records]
    what = f"does not know SOURce1:VOLTage? ({'; '.join(errors)})"
    assert said.startswith(f"generator at {served.address}: {what}")


@pytest.mark.parametrize(
    ("errors", "answer", "expected"),
    [
        ((UNTERMINATED,), None, BenchTimeout),  # an answer that was lost
        ((UNKNOWN, '-350,"Queue overflow"'), None, BenchTimeout),
        ((UNKNOWN, '-222,"Data out of range"'), "", BadReply),
        ((), "one volt", BadReply),
    ],
)
def test_what_may_be_another_trouble_is_not_taken_for_an_unknown_query(
    errors: Sequence[str], answer: str | None, expected: type[BenchError]
) -> None:
    instrument = Generator()
    answer_to_level_query(instrument, errors, answer)
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="generator", timeout_s=0.2)
        session.start()
        with pytest.raises(expected):
            ScpiGenerator(session, profile("scpi-generator"), profile_name="scpi-generator")
        session.close()


def test_a_generator_that_is_silent_once_is_not_taken_for_one_that_does_not_know() -> None:
    instrument = Generator()
    instrument.trouble = lambda connection, heard: heard == "SOURce1:VOLTage?"
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="generator", timeout_s=0.2)
        session.start()
        with pytest.raises(BenchTimeout):
            ScpiGenerator(session, profile("scpi-generator"), profile_name="scpi-generator")
        session.close()
