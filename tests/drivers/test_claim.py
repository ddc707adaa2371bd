"""The files of locks and marks, in a folder that several users share."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers import claim as claims
from drivers.claim import LeftOnMarker, claim, path_of
from harness.errors import BenchError, InUse

ADDRESS = "TCPIP::198.51.100.7::5025::SOCKET"
ANOTHER_USER = 12_345

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="file modes and owners of POSIX")
as_root = pytest.mark.skipif(
    sys.platform != "win32" and os.geteuid() != 0, reason="only root gives a file to another user"
)


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(claims, "LASTING", tmp_path)
    return tmp_path / "switchwalk-benches"


def mode(path: Path) -> int:
    return path.lstat().st_mode & 0o7777


def mark() -> LeftOnMarker:
    return LeftOnMarker(ADDRESS, instrument="supply")


def test_nobody_else_may_write_what_is_made_in_the_shared_folder(folder: Path) -> None:
    before = os.umask(0)
    try:
        mark().put()
        with claim(ADDRESS, instrument="supply"):
            assert mode(folder) == 0o1777
            assert {mode(path) for path in folder.iterdir()} == {0o644}
    finally:
        os.umask(before)


def test_others_may_read_it_whatever_the_umask(folder: Path) -> None:
    before = os.umask(0o077)
    try:
        with claim(ADDRESS, instrument="supply"):
            assert {mode(path) for path in folder.iterdir()} == {0o644}
    finally:
        os.umask(before)


def test_nothing_stays_of_a_claim_and_of_a_mark_that_was_taken_away(folder: Path) -> None:
    with claim(ADDRESS, instrument="supply"):
        made = mark()
        made.put()
        made.remove()
    assert list(folder.iterdir()) == []


def test_one_of_two_that_wait_for_a_removed_lock_file_gets_it() -> None:
    with claim(ADDRESS, instrument="supply"), pytest.raises(InUse), claim(ADDRESS, instrument="supply"):
        pass
    with claim(ADDRESS, instrument="supply"):
        pass


def test_the_lock_file_of_a_killed_process_is_removed_after_a_day(folder: Path) -> None:
    code = (
        "import os, pathlib\nfrom drivers import claim\n"
        f"claim.LASTING = pathlib.Path({str(folder.parent)!r})\n"
        "with claim.claim('TCPIP::198.51.100.8::1::SOCKET', instrument='supply'): os._exit(9)"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=30, check=False).returncode == 9
    (left,) = folder.iterdir()
    with claim(ADDRESS, instrument="supply"):
        assert left.exists()
    long_ago = time.time() - claims.STALE_AFTER_S - 60.0
    os.utime(left, (long_ago, long_ago))
    with claim(ADDRESS, instrument="supply"):
        assert not left.exists()


def test_an_old_lock_file_that_is_held_stays(folder: Path) -> None:
    with claim(ADDRESS, instrument="supply"):
        held = path_of(ADDRESS, ".lock")
        os.utime(held, (0.0, 0.0))
        with claim("TCPIP::198.51.100.8::1::SOCKET", instrument="supply"):
            assert held.exists()


def link(path: Path, target: Path) -> None:
    path.symlink_to(target)


def second_name(path: Path, target: Path) -> None:
    path.hardlink_to(target)


def pipe(path: Path, target: Path) -> None:
    os.mkfifo(path)


def claim_it() -> None:
    with claim(ADDRESS, instrument="supply"):
        pass


def mark_it() -> None:
    mark().put()


@pytest.mark.parametrize("trap", [link, second_name, pipe])
@pytest.mark.parametrize(
    ("ending", "act"),
    [(".lock", claim_it), (f".{os.geteuid() if sys.platform != 'win32' else 0}.open", mark_it)],
)
def test_a_trap_in_place_of_a_file_is_not_written_and_is_named(
    tmp_path: Path, trap: Callable[[Path, Path], None], ending: str, act: Callable[[], None]
) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious", encoding="utf-8")
    path = path_of(ADDRESS, ending)
    trap(path, victim)
    with pytest.raises(BenchError, match="expected a plain file with one name; remove it") as caught:
        act()
    assert str(path) in str(caught.value)
    assert victim.read_text(encoding="utf-8") == "precious"


def test_a_link_in_place_of_the_folder_is_not_followed_and_is_named(tmp_path: Path, folder: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    folder.symlink_to(elsewhere)
    with (
        pytest.raises(BenchError, match="switchwalk-benches: expected a folder, not a link; remove it"),
        claim(ADDRESS, instrument="supply"),
    ):
        pass
    with pytest.raises(BenchError, match="expected a folder, not a link; remove it"):
        mark()
    assert mode(elsewhere) == 0o700


@as_root
def test_another_users_lock_file_locks_all_the_same_and_stays(folder: Path) -> None:
    path = path_of(ADDRESS, ".lock")
    path.write_text(" {}", encoding="utf-8")
    os.chown(path, ANOTHER_USER, ANOTHER_USER)
    with claim(ADDRESS, instrument="supply"), pytest.raises(InUse), claim(ADDRESS, instrument="supply"):
        pass
    assert path.read_text(encoding="utf-8") == " {}"


@as_root
def test_another_users_mark_is_outlived_by_ones_own_empty_one(folder: Path) -> None:
    mark().put()
    (left,) = folder.iterdir()
    theirs = left.rename(folder / left.name.replace(f".{os.geteuid()}.", f".{ANOTHER_USER}."))
    os.chown(theirs, ANOTHER_USER, ANOTHER_USER)
    os.utime(theirs, ns=(0, time.time_ns() + 10**12))  # their clock went ahead of this one
    content = theirs.read_bytes()
    assert f"process {os.getpid()}" in mark().left_by
    mark().put()
    mark().remove()
    assert mark().left_by == ""
    assert theirs.read_bytes() == content
    os.utime(theirs, ns=(0, time.time_ns() + 2 * 10**12))  # and they left it on again
    assert f"process {os.getpid()}" in mark().left_by


def test_a_mark_that_another_user_takes_away_meanwhile_is_no_trouble(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mark().put()
    (own,) = folder.iterdir()
    glob = Path.glob

    def with_one_that_is_gone(path: Path, pattern: str) -> list[Path]:
        return [own.with_name(own.name.replace(f".{os.geteuid()}.", ".0815.")), *glob(path, pattern)]

    monkeypatch.setattr(Path, "glob", with_one_that_is_gone)
    made = mark()
    assert f"process {os.getpid()}" in made.left_by
    made.put()
    made.remove()
    assert list(folder.iterdir()) == []
