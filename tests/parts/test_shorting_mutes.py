"""Both ways to mute by shorting that docs/files.md shows."""

import re
from pathlib import Path

import pytest

from harness.circuit.predict import differential, predict
from harness.job.job import load_job
from harness.job.state import State
from tests.jobs import check_of
from tests.parts.box import BENCH, agree_with_ngspice, box, mute

DOCS = (Path(__file__).resolve().parents[2] / "docs" / "files.md").read_text(encoding="utf-8")
SHOWN = re.findall(r"(?m)^contacts = .*operated = \"(?:out\.cold|ground)\".*$", DOCS)
SOURCE = '[[resistor]]\nname = "R1"\nseries = ["in", "out"]\nvalue = "1 kohm"\n'


def test_the_document_shows_both() -> None:
    assert len(SHOWN) == 2


@pytest.mark.parametrize(("contacts", "shorts_ohm"), [*zip(SHOWN, (0.05, 0.1), strict=True)])
def test_a_mute_leaves_what_its_contacts_leave(tmp_path: Path, contacts: str, shorts_ohm: float) -> None:
    """Closed form: between the legs one contact of 50 mohm, or two in series by way of the ground."""
    relay = re.sub(r"(?m)^contacts = .*$", contacts, mute(["left"]))
    job = load_job(box(tmp_path, SOURCE + relay, check_of("gain", within="0.2 dB"), channels=["left"]))
    made = predict(
        job.module,
        job.fixture,
        job.fixture.setups[1],
        State(on=("go",)),
        frequencies_hz=(1e3, 1e3),
        impedances=BENCH,
    )
    assert abs(differential(made.transfer)[0]) == pytest.approx(shorts_ohm / (shorts_ohm + 2100), rel=2e-3)
    assert not made.live[0]
    agree_with_ngspice(job, tmp_path)
