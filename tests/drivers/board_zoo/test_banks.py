"""A bench whose channels are on several boards: a SCPI switch of twelve, then eight coils of Modbus."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.bench import make_left_safe, open_bench
from drivers.claim import LeftOnMarker
from harness.bench_file import BenchFile, SwitchboardFile, load_bench
from harness.errors import BenchError, InUse, JobError
from harness.roles import Bench
from tests.drivers.board_zoo.modbus import Table, tcp_board
from tests.drivers.own_profiles import profile_text
from tests.drivers.test_bench import Rig, standing


class Banked:
    """The bench file, the instruments, and what every board has closed, by the bench's own numbers."""

    def __init__(self, rig: Rig, coils: Table, file: BenchFile, folder: Path) -> None:
        self.rig, self.coils, self.file, self.folder = rig, coils, file, folder

    @property
    def closed(self) -> set[int]:
        return self.rig.switch.closed | {13 + n for n, on in self.coils.values.items() if on}

    @property
    def addresses(self) -> list[str]:
        return [board.address for board in self.file.switchboards]


@contextmanager
def banked(folder: Path) -> Iterator[Banked]:
    coils = Table(8, first=0, functions={1, 5, 15}, value=1)
    (folder / "twelve.toml").write_text(
        profile_text("route-switchboard", {"channels = 16": "channels = 12"}), encoding="utf-8"
    )
    (folder / "eight.toml").write_text(
        profile_text("modbus-tcp-switchboard", {"channels = 16": "channels = 8"}), encoding="utf-8"
    )
    with standing() as rig, tcp_board(coils) as board:
        first = replace(rig.file.switchboards[0], profile="twelve")
        second = SwitchboardFile(address=board.address, profile="eight", settle_s=0.005)
        made = Banked(rig, coils, replace(rig.file, switchboards=(first, second)), folder)
        try:
            yield made
        finally:  # its ports may be another bench's next
            for address in made.addresses:
                LeftOnMarker(address, instrument="switchboard").remove()


@contextmanager
def opened(made: Banked) -> Iterator[Bench]:
    with open_bench(made.file, folder=made.folder) as bench:
        yield bench


def test_channels_are_numbered_on_from_board_to_board(tmp_path: Path) -> None:
    with banked(tmp_path) as made, opened(made) as bench:
        assert made.closed == set()
        for wanted in ({1, 12, 13, 20}, {2, 13}, {20}, set()):
            bench.switchboard.set(frozenset(wanted))
            assert made.closed == wanted
        assert bench.switchboard.settle_s == made.file.settle_s == 0.015  # of the slower one
        assert bench.switchboard.reads_back
        with pytest.raises(BenchError, match=r"has channels 1 to 20 on 2 boards, and \[21\] are asked for"):
            bench.switchboard.set(frozenset({1, 21}))


def test_channels_open_on_every_board_before_one_closes_on_another(tmp_path: Path) -> None:
    with banked(tmp_path) as made, opened(made) as bench:
        bench.switchboard.set(frozenset({13}))
        made.coils.dead.add(0)  # it stays closed, which is seen before the other board closes anything
        with pytest.raises(BenchError, match="switchboard 2 at socket"):
            bench.switchboard.set(frozenset({1}))
        assert made.rig.switch.closed == set()
        made.coils.dead.clear()


def test_every_board_has_its_identity_in_the_records(tmp_path: Path) -> None:
    with banked(tmp_path) as made, opened(made) as bench:
        boards = [each for each in bench.identities if each.role.startswith("switchboard")]
        assert [(each.role, each.address, each.profile) for each in boards] == [
            ("switchboard 1", made.addresses[0], "twelve"),
            ("switchboard 2", made.addresses[1], "eight"),
        ]
        assert len(bench.identities) == 5


def test_every_board_is_claimed_for_the_run(tmp_path: Path) -> None:
    with (
        banked(tmp_path) as made,
        opened(made),
        pytest.raises(InUse, match="in use by"),
        open_bench(replace(made.file, switchboards=made.file.switchboards[1:]), folder=tmp_path),
    ):
        pass


def leave_with_a_relay_that_sticks(made: Banked) -> None:
    with opened(made) as bench:
        bench.switchboard.set(frozenset({1, 13}))
        made.coils.dead.add(0)


def test_every_board_is_released_at_the_end_and_one_that_fails_is_named(tmp_path: Path) -> None:
    with banked(tmp_path) as made:
        with opened(made) as bench:
            bench.switchboard.set(frozenset({1, 13}))
        assert made.closed == set()
        with pytest.raises(BenchError, match=r"NOT SAFE.*switchboard 2: switchboard 2 at .*1 as closed"):
            leave_with_a_relay_that_sticks(made)
        assert made.closed == {13}
        marks = [LeftOnMarker(address, instrument="switchboard") for address in made.addresses]
        assert [bool(mark.left_by) for mark in marks] == [False, True]


def test_a_board_that_a_killed_run_left_on_is_opened_before_anything_else(tmp_path: Path) -> None:
    with banked(tmp_path) as made:
        made.coils.values[2] = 1
        LeftOnMarker(made.addresses[1], instrument="switchboard 2").put()
        told: list[str] = []
        make_left_safe(made.file, folder=tmp_path, tell=told.append)
        assert "switchboard 2: closed channels 1, 2, 3, 4, 5, 6, 7, 8" in told[0]
        assert made.closed == set()


def test_a_board_recovers_with_the_others(tmp_path: Path) -> None:
    with banked(tmp_path) as made, opened(made) as bench:
        bench.switchboard.set(frozenset({1, 13}))
        bench.switchboard.recover()
        assert made.closed == set()
        bench.switchboard.set(frozenset({14}))
        assert made.closed == {14}


BENCH = """\
[bench]
name = "Rack bench"
[generator]
address = "TCPIP::192.0.2.10::5025::SOCKET"
profile = "scpi-generator"
[oscilloscope]
address = "TCPIP::192.0.2.11::5025::SOCKET"
profile = "preamble-oscilloscope"
gain_accuracy = "2 %"
[supply]
address = "TCPIP::192.0.2.12::5025::SOCKET"
profile = "scpi-supply"
"""
BOARD = '[[switchboard]]\naddress = "{address}"\nprofile = "modbus-tcp-switchboard"\nsettle = "{settle}"\n'


def written(folder: Path, *boards: tuple[str, str]) -> Path:
    path = folder / "bench.toml"
    path.write_text(BENCH + "".join(BOARD.format(address=a, settle=s) for a, s in boards), encoding="utf-8")
    return path


def test_a_bench_file_may_have_several_boards(tmp_path: Path) -> None:
    bench = load_bench(
        written(tmp_path, ("socket://192.0.2.13:502", "10 ms"), ("socket://192.0.2.14:502", "30 ms"))
    )
    assert list(bench.boards) == ["switchboard 1", "switchboard 2"]
    assert bench.settle_s == 0.030
    assert list(bench.instruments)[3:] == ["switchboard 1", "switchboard 2"]


@pytest.mark.parametrize(
    ("boards", "message"),
    [
        (
            [("socket://192.0.2.13:502", "10 ms"), ("socket://192.0.2.13:502", "10 ms")],
            r'bench.toml:18: switchboard\[2\].address: "socket://192.0.2.13:502" is already the address of '
            "the switchboard 1",
        ),
        (
            [("socket://192.0.2.13:502", "10 ms"), ("socket://192.0.2.14:502", "soon")],
            r"bench.toml:20: switchboard\[2\].settle: found .soon.",
        ),
    ],
)
def test_a_mistake_in_one_of_several_boards_is_told_at_its_line(
    boards: list[tuple[str, str]], message: str, tmp_path: Path
) -> None:
    with pytest.raises(JobError, match=message):
        load_bench(written(tmp_path, *boards))
