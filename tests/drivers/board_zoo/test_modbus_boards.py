"""Modbus boards of every kind that a profile can say, against a board written from the specification."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from drivers.boards.modbus_switchboard import ModbusSwitchboard
from harness.bench_file import SwitchboardFile, WireFile
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, JobError, LinkLost
from tests.drivers.board_zoo.modbus import RtuBoard, Table, check, tcp_board
from tests.drivers.own_profiles import profile
from tests.drivers.serial_boards import port


def file(address: str, wire: WireFile | None = None) -> SwitchboardFile:
    return SwitchboardFile(address=address, profile="own", settle_s=0.0, wire=wire or WireFile())


@contextmanager
def at_tcp(
    table: Table, changes: dict[str, str] | None = None, name: str = "modbus-tcp-switchboard"
) -> Iterator[ModbusSwitchboard]:
    with tcp_board(table) as board:
        driver = ModbusSwitchboard(profile(name, changes), file(board.address))
        yield driver
        driver.close()


@contextmanager
def at_line(table: Table, name: str, changes: dict[str, str] | None = None) -> Iterator[ModbusSwitchboard]:
    with port() as line:
        board = RtuBoard(table, line.say)
        line.run(board.hear)
        fast = {"baud_rate = 9600": "baud_rate = 115200"} | (changes or {})
        driver = ModbusSwitchboard(profile(name, fast), file(line.path))
        yield driver
        driver.close()


def coils(count: int = 16, first: int = 0, functions: set[int] | None = None) -> Table:
    return Table(count, first=first, functions=functions or {1, 5, 15}, value=1)


@pytest.mark.parametrize(
    ("request_", "answer"),
    [  # The examples of the specification, in its clauses 6.5, 6.11, 6.6 and 6.12.
        ("05 00 AC FF 00", "05 00 AC FF 00"),
        ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
        ("06 00 01 00 03", "06 00 01 00 03"),
        ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
        ("01 01 00 00 01", "81 02"),
        ("04 00 08 00 01", "84 01"),
    ],
)
def test_the_zoos_board_answers_as_the_specification_has_it(request_: str, answer: str) -> None:
    table = Table(200, first=0, functions={1, 3, 5, 6, 15, 16})
    assert table.answer(bytes.fromhex(request_)) == bytes.fromhex(answer)


def test_the_zoos_board_tells_its_state_as_the_specification_has_it() -> None:
    table = Table(200, first=0, functions={1, 3})
    # Clause 6.1: coils 20 to 38 are CD 6B 05; clause 6.3: registers 108 to 110 are 022B, 0, 64.
    states = "1011001111010110101"
    table.values |= {0x13 + n: int(state) for n, state in enumerate(states)}
    assert table.answer(bytes.fromhex("01 00 13 00 13")) == bytes.fromhex("01 03 CD 6B 05")
    table.values |= {0x6B: 0x022B, 0x6C: 0, 0x6D: 0x64}
    assert table.answer(bytes.fromhex("03 00 6B 00 03")) == bytes.fromhex("03 06 02 2B 00 00 00 64")
    # Modbus over Serial Line V1.02 gives no frame; this one is common practice, no source.
    assert check(bytes.fromhex("01 03 00 00 00 0A")) == bytes.fromhex("C5 CD")


def test_a_board_of_modbus_tcp_closes_what_it_is_told() -> None:
    table = coils()
    with at_tcp(table) as driver:
        assert driver.reads_back
        for wanted in ({1}, {1, 3, 16}, {2}, set()):
            driver.set(frozenset(wanted))
            assert {n + 1 for n, on in table.values.items() if on} == wanted
    assert {5, 15} < set(table.asked)


@pytest.mark.parametrize(
    ("functions", "known", "written"),
    [("[5]", {1, 5}, {5}), ("[15]", {1, 15}, {15})],
)
def test_a_board_is_written_by_the_functions_that_it_knows(
    functions: str, known: set[int], written: set[int]
) -> None:
    table = coils(functions=known)
    with at_tcp(table, {"first_coil = 0": f"first_coil = 0\nwrite_functions = {functions}"}) as driver:
        driver.set(frozenset({2, 7}))
        assert {n + 1 for n, on in table.values.items() if on} == {2, 7}
    assert set(table.asked) == {1} | written


def test_a_board_without_function_15_is_named_with_what_it_refuses() -> None:
    with pytest.raises(BenchError, match=r"switchboard at socket.*refuses"), at_tcp(coils(functions={1, 5})):
        pass


def test_a_serial_board_that_knows_function_5_alone() -> None:
    table = coils(8, functions={1, 5})
    with at_line(table, "modbus-single-switchboard") as driver:
        driver.set(frozenset({8}))
        assert [n for n, on in table.values.items() if on] == [7]


@pytest.mark.parametrize("first", [0, 1, 100])
def test_a_board_counts_its_coils_from_where_its_profile_says(first: int) -> None:
    table = coils(16, first=first)
    with at_tcp(table, {"first_coil = 0": f"first_coil = {first}"}) as driver:
        driver.set(frozenset({1, 16}))
        assert [n for n, on in table.values.items() if on] == [first, first + 15]


def command(value: int) -> int:
    """A register that takes 0x0100 as "on" and 0x0200 as "off", and reads 1 and 0."""
    return {0x0100: 1, 0x0200: 0}.get(value, 9)


def test_a_relay_in_a_register_takes_commands_and_reads_states() -> None:
    table = Table(8, first=1, functions={3, 6}, reads=command, value=1)
    with at_line(table, "modbus-register-switchboard") as driver:
        driver.set(frozenset({1, 8}))
        assert [n for n, on in table.values.items() if on] == [1, 8]
        driver.set(frozenset({2}))
        assert [n for n, on in table.values.items() if on] == [2]
    assert set(table.asked) == {3, 6}


def test_registers_written_many_at_once_hold_the_values_of_the_profile() -> None:
    table = Table(8, first=0, functions={3, 16})
    changes = {
        "first_coil = 0": "first_register = 0\nwrite_functions = [16]",
        "channels = 16": "channels = 8",
    }
    with at_tcp(table, changes) as driver:
        driver.set(frozenset({3}))
        assert [n for n, on in table.values.items() if on] == [2]


def test_relays_may_be_the_bits_of_registers() -> None:
    table = Table(2, first=10, functions={3, 6}, value=0xFFFF)
    changes = {
        "first_coil = 0": "first_register = 10\nwrite_functions = [6]\nrelays_per_register = 8",
    }
    with at_tcp(table, changes) as driver:
        driver.set(frozenset({1, 8, 9, 16}))
        assert table.values == {10: 0b10000001, 11: 0b10000001}
        driver.set(frozenset({8, 10}))
        assert table.values == {10: 0b10000000, 11: 0b00000010}
        driver.off()
        assert table.values == {10: 0, 11: 0}


def test_a_register_that_reads_neither_value_names_the_keys_to_look_at() -> None:
    table = Table(8, first=1, functions={3, 6}, reads=int, value=0)
    with (
        pytest.raises(BadReply, match=r"expected 1 or 0 in register 1 \(energised_reads .* found 512"),
        at_line(table, "modbus-register-switchboard"),
    ):
        pass


def test_a_board_that_cannot_be_read_says_so() -> None:
    table = coils(functions={5, 15})
    with at_tcp(table, {"first_coil = 0": "first_coil = 0\nreads_back = false"}) as driver:
        driver.set(frozenset({4}))
        assert not driver.reads_back
        assert table.values[3] == 1


def test_a_relay_that_stays_open_is_named() -> None:
    table = coils()
    with at_tcp(table) as driver:
        table.dead.add(6)
        with pytest.raises(BenchError, match=r"channels 2, 7 were to be closed.*reads back 2 as closed"):
            driver.set(frozenset({2, 7}))


@contextmanager
def slow(
    table: Table, seconds: float, timeout_s: float
) -> Iterator[tuple[ModbusSwitchboard, Callable[[], None]]]:
    """A board that answers late from when it is told to, until the next call."""
    late, over = threading.Event(), threading.Event()

    def before() -> None:
        if late.is_set():
            over.wait(seconds)

    def turn() -> None:
        (late.clear if late.is_set() else late.set)()

    with tcp_board(table, before) as board:
        driver = ModbusSwitchboard(
            profile("modbus-tcp-switchboard"), file(board.address, WireFile(timeout_s=timeout_s))
        )
        try:
            yield driver, turn
        finally:
            over.set()
            driver.close()


def test_a_board_may_take_as_long_as_the_bench_file_allows() -> None:
    table = coils()
    with slow(table, 0.15, timeout_s=1.0) as (driver, turn):
        turn()
        driver.set(frozenset({5}))
        assert table.values[4] == 1


def test_a_later_answer_stops_the_board_and_off_still_opens_every_relay() -> None:
    table = coils()
    with slow(table, 5.0, timeout_s=0.2) as (driver, turn):
        turn()
        with pytest.raises((BenchTimeout, LinkLost), match=r"switchboard at socket"):
            driver.set(frozenset({5}))
        with pytest.raises(Desynchronised):
            driver.set(frozenset({6}))
        turn()
        driver.off()
        assert not any(table.values.values())


def test_frames_of_modbus_tcp_need_a_network_address() -> None:
    with port() as line, pytest.raises(LinkLost, match=r"need an address such as socket://192\.0\.2\.13:502"):
        ModbusSwitchboard(profile("modbus-tcp-switchboard"), file(line.path))


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ("", "expected either first_coil or first_register"),
        ("first_coil = 0\nfirst_register = 0", "expected either first_coil or first_register"),
        ("first_coil = 0\nwrite_functions = [6]", "expected some of 5 and 15 for coils"),
        ("first_register = 0\nwrite_functions = [5]", "expected some of 6 and 16 for registers"),
        ("first_coil = 0\nechoes = true", "expected an adapter whose own echo is switched off"),
        ("first_register = 0\nreleased = 1", "expected different values for energised and released"),
    ],
)
def test_a_profile_that_contradicts_itself_is_refused(keys: str, message: str) -> None:
    with pytest.raises(JobError, match=message):
        profile("modbus-tcp-switchboard", {"first_coil = 0": keys})
