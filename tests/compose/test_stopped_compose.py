"""Ctrl-C while a job is composed: one sentence, no traceback of any helper process, and no file changed."""

import os
import signal
import subprocess
import sys
from pathlib import Path

from benchmarks.source_matrix import module_text
from harness.errors import EXIT_BENCH

ROOT = Path(__file__).resolve().parents[2]


def test_ctrl_c_at_the_terminal_ends_the_search_and_its_helpers_with_one_sentence(tmp_path: Path) -> None:
    """Every process of the terminal gets it. The module is large enough to be shared among processes."""
    (tmp_path / "module.toml").write_text(module_text())
    command = [sys.executable, "-m", "harness.cli", "compose", str(tmp_path)]
    with subprocess.Popen(
        command, cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
    ) as process:
        assert process.stderr is not None
        assert process.stderr.readline().startswith("compose: ")
        os.killpg(process.pid, signal.SIGINT)
        printed, said = process.communicate(timeout=60)
    assert process.returncode == EXIT_BENCH
    assert printed == ""
    assert said == f"stopped by hand: nothing in {tmp_path} was changed\n"
    assert [path.name for path in tmp_path.iterdir()] == ["module.toml"]
