"""A cluster's workers compose what this process would, and every pair of faults is evaluated if asked."""

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.cli.commands import switchwalk
from tests.compose.test_compose import AMPLIFIED

ROOT = Path(__file__).resolve().parents[2]
HAND = ("--by-hand", "--scope-inputs", "4")


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """The address of a scheduler with one worker process, on the loopback."""
    import distributed  # one of the tests' own requirements

    os.environ["PYTHONPATH"] = str(ROOT)
    with distributed.LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=1,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        silence_logs=50,
    ) as made:
        yield made.scheduler_address


def composed(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    folder.mkdir()
    (folder / "module.toml").write_text(AMPLIFIED, encoding="utf-8")
    done = switchwalk(capsys, "compose", str(folder), *HAND, *options, "--json")
    assert done.code == 0, done.err
    result: dict[str, Any] = json.loads(done.out)
    return result


@pytest.mark.filterwarnings("ignore")  # the cluster's own libraries deprecate among themselves
def test_a_cluster_composes_the_same_files(
    cluster: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    composed(tmp_path / "alone", capsys)
    composed(tmp_path / "shared", capsys, "--workers", cluster)
    for name in ("fixture.toml", "sequence.toml"):
        alone, shared = ((tmp_path / kind / name).read_text("utf-8") for kind in ("alone", "shared"))
        assert alone == shared


def test_pairs_of_faults_are_evaluated_on_what_was_composed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As `coverage` finds them of the files that were written."""
    made = composed(tmp_path / "job", capsys, "--doubles")
    done = switchwalk(capsys, "coverage", str(tmp_path / "job"), "--doubles", "--json")
    assert made["doubles"] == json.loads(done.out)["doubles"]
    assert made["doubles"]["possible"] > made["possible"]
