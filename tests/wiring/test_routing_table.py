"""The truth table at the terminal, filtered, and as a page with every route drawn."""

from pathlib import Path

import pytest

from tests.cli.commands import switchwalk
from tests.jobs import SHIPPED

SWITCHER = SHIPPED / "two_loop_switcher"


def test_a_port_a_drive_and_a_state_are_chosen(capsys: pytest.CaptureFixture[str]) -> None:
    chosen = ("--port", "out", "--drive", "left.in", "--state", "loop_a")
    printed = switchwalk(capsys, "table", str(SWITCHER), *chosen)
    assert printed.code == 0, printed.err
    rows = [line for line in printed.out.splitlines() if "in > " in line]
    assert len(rows) == 1
    assert rows[0].split()[:2] == ["loop_a", "out"]
    assert "in > a_send > pad_a > a_return > out" in rows[0]


def test_ports_that_no_setup_views_are_listed_if_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    job = str(SHIPPED / "source_selector")
    few, every = (
        switchwalk(capsys, "table", job, "--state", "idle", *more).out.splitlines()
        for more in ((), ("--all",))
    )
    assert not any("not viewed" in line for line in few)
    assert len(every) >= len(few) - 1


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--port", "outt", "--port: found outt: no such port"),
        ("--drive", "left.out", "--drive: found left.out: no such driven port"),
        ("--state", "loop_c", "--state:"),
        ("--html", "/nowhere/page.html", "cannot be written"),
    ],
)
def test_wrong_input_is_told_in_a_line(
    capsys: pytest.CaptureFixture[str], option: str, value: str, words: str
) -> None:
    printed = switchwalk(capsys, "table", str(SWITCHER), option, value)
    assert printed.code == 2
    assert words in printed.err
    assert "Traceback" not in printed.err


def test_the_page_draws_each_contact_that_a_route_passes(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page = tmp_path / "routes.html"
    printed = switchwalk(capsys, "table", str(SWITCHER), "--state", "loop_a", "--html", str(page))
    assert printed.code == 0, printed.err
    text = page.read_text(encoding="utf-8")
    assert "loop_a operates K1, K6" in text
    drawn = text.partition("Driven at left.in")[2].partition("Driven at right.in")[0]
    assert all(f">{relay}<" in drawn for relay in ("K3", "K1", "K4", "K2", "K5"))
    assert "−4.19 dB" in drawn


def test_the_page_tells_that_a_latching_relay_is_set(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page = tmp_path / "routes.html"
    chosen = ("--state", "idle", "--state", "source_b+insert", "--html", str(page))
    assert switchwalk(capsys, "table", str(SHIPPED / "monitor_panel"), *chosen).code == 0
    text = page.read_text(encoding="utf-8")
    assert "All relays are released or reset." in text
    assert "source_b sets K1, K6; insert operates K2, K7" in text
