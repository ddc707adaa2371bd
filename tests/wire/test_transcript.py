"""`--transcript`: a file that can't be written ends the recording of messages, and nothing else."""

import json
import sys
from contextlib import closing
from pathlib import Path

import pytest

from drivers.transcript import Transcript
from harness.errors import EXIT_USAGE, UsageError


def test_a_message_is_a_line_and_is_on_disk_at_once(tmp_path: Path) -> None:
    with closing(Transcript(tmp_path / "wires.jsonl")) as transcript:
        transcript.message("supply", "out", b"MEAS:CURR?\n", 0.001)
        line = json.loads((tmp_path / "wires.jsonl").read_text(encoding="utf-8"))
    assert (line["instrument"], line["direction"], line["bytes"]) == ("supply", "out", "MEAS:CURR?\\n")


@pytest.mark.parametrize("where", ["missing/wires.jsonl", "."])
def test_a_file_that_cannot_be_written_is_wrong_usage(tmp_path: Path, where: str) -> None:
    with pytest.raises(
        UsageError, match=r"--transcript .*: can't be written: .*\. Give another file"
    ) as caught:
        Transcript(tmp_path / where)
    assert caught.value.exit_code == EXIT_USAGE


@pytest.mark.skipif(sys.platform != "linux", reason="/dev/full, a disk that is always full, is Linux's")
def test_a_full_disk_ends_the_transcript_and_raises_nothing(caplog: pytest.LogCaptureFixture) -> None:
    with closing(Transcript(Path("/dev/full"))) as transcript:
        transcript.message("supply", "out", b"OUTP OFF\n", 0.001)
        transcript.message("supply", "out", b"*OPC?\n", 0.001)
    assert [record.getMessage() for record in caplog.records] == [
        "/dev/full: the transcript ends here: No space left on device"
    ]


def test_nothing_is_added_to_a_file_that_is_no_transcript(tmp_path: Path) -> None:
    job = tmp_path / "sequence.toml"
    job.write_text("[sequence]\n")
    with pytest.raises(UsageError, match="exists, and is no transcript"):
        Transcript(job)
    assert job.read_text() == "[sequence]\n"
    with closing(Transcript(tmp_path / "new.jsonl")) as transcript:
        transcript.event("supply", "reopened")
    with closing(Transcript(tmp_path / "new.jsonl")) as transcript:
        transcript.event("supply", "reopened")
    assert len((tmp_path / "new.jsonl").read_text().splitlines()) == 2
