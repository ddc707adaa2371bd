"""`switchwalk coverage`, as a person and another program use it."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.faults.coverage import hard_faults
from harness.faults.signatures import signatures
from harness.job.job import load_job
from harness.plan.build import build_plan
from tests.cli.commands import switchwalk

SWITCHER = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
BY_HAND = (
    "--sequence",
    str(SWITCHER / "by_hand_sequence.toml"),
    "--fixture",
    str(SWITCHER / "by_hand_fixture.toml"),
)
OWN = "K1 never operates + left.out.hot open"
Cluster = Any  # distributed.LocalCluster: imported only where what it deprecates is ignored


def run_coverage(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "harness.cli", "coverage", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=600,
        cwd=SWITCHER.parents[1],
        check=False,
    )


@pytest.fixture(scope="module")
def few_states(tmp_path_factory: pytest.TempPathFactory) -> tuple[str | Path, ...]:
    """The hand test in five of its nine states, for what needs no more."""
    sequence = tmp_path_factory.mktemp("few") / "few.toml"
    text = Path(BY_HAND[1]).read_text(encoding="utf-8")
    every = 'states = ["all", "unpowered"]'
    assert every in text
    few = text.replace(every, 'states = ["idle", "loop_a", "loop_b", "swap", "loop_a+loop_b+swap"]')
    sequence.write_text(few, encoding="utf-8")
    return (SWITCHER, "--sequence", sequence, *BY_HAND[2:], "--json", "--minimal", "--fault", OWN)


@pytest.fixture(scope="module")
def hand_json(few_states: tuple[str | Path, ...]) -> Any:
    done = run_coverage(*few_states)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_json_has_the_figures_that_were_promised(hand_json: dict[str, Any]) -> None:
    assert {"possible", "seen", "unseen", "groups", "contacts"} <= set(hand_json)
    assert hand_json["possible"] - hand_json["seen"] == len(hand_json["unseen"])
    assert hand_json["possible"] == len(hand_json["faults"]) >= 200
    assert "K1 never operates" in hand_json["unseen"]
    assert all(len(group) > 1 for group in hand_json["groups"])
    assert {"contact", "smallest_seen_ohm"} <= set(hand_json["contacts"][0])
    assert hand_json["contacts"][0]["contact"] == "K1.1.hot released"
    assert len(hand_json["resistive"]) == 3 * len(hand_json["contacts"])
    assert hand_json["resistive"][0]["fault"] == "K1.1.hot released 1 ohm"
    assert [len(load["smallest_seen_ohm"]) for load in hand_json["loads"]] == [len(hand_json["contacts"])] * 2


def test_json_tells_what_fewer_steps_would_save(hand_json: dict[str, Any]) -> None:
    minimal = hand_json["minimal"]
    assert minimal["proven"]
    assert minimal["after"]["acquisitions"] < minimal["before"]["acquisitions"]
    assert minimal["after"]["operations"] < minimal["before"]["operations"]


def test_the_fewest_steps_are_printed_alone(
    few_states: tuple[str | Path, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    printed = switchwalk(capsys, "coverage", *map(str, few_states[:5]), "--minimal")
    assert printed.code == 0, printed.err
    lines = printed.out.splitlines()
    assert lines[0] == "Two-loop line switcher (LMX-TLS B), Hand test"
    assert lines[2].startswith("Steps that detect the same ")
    assert "Missed:" not in lines
    assert len(lines) < 20


def test_the_fewest_steps_are_not_printed_with_the_rest(
    few_states: tuple[str | Path, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    printed = switchwalk(capsys, "coverage", str(SWITCHER), "--minimal", "--all")
    assert (printed.code, printed.out) == (2, "")
    assert "--minimal prints the fewest steps alone" in printed.err


def test_faults_of_ones_own_are_judged_too(hand_json: dict[str, Any]) -> None:
    """Several at once, which are on no list: what one hides, the other shows."""
    (asked,) = hand_json["asked"]
    assert (asked["fault"], asked["seen"]) == (OWN, True)
    assert asked["by"].startswith("gain at left.out")
    assert OWN not in {one["fault"] for one in hand_json["faults"]}


def test_the_text_fits_a_terminal_and_names_what_matters() -> None:
    done = run_coverage(SWITCHER, *BY_HAND, "--all")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0] == "Two-loop line switcher (LMX-TLS B), Hand test"
    assert lines[1].startswith("164 of 264 faults detected (62.1 %)")
    reason = next(index for index, line in enumerate(lines) if line.startswith("  changes nothing that"))
    assert lines[reason + 1].startswith("      K1 never operates | K1 always operated | ")
    assert any(line.startswith("  coded plugs, different in every leg") for line in lines)
    assert any(line.startswith("  K1.1.hot released  ") for line in lines)
    start = next(index for index, line in enumerate(lines) if line.startswith("Detected, by how many"))
    end = next(index for index, line in enumerate(lines) if line.startswith("Detected, but not told apart"))
    assert sum(line.startswith("  ") and line[2] != " " for line in lines[start:end]) == 164


@pytest.mark.filterwarnings("ignore")  # the cluster's own libraries deprecate among themselves
@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((SWITCHER / "nowhere",), "no such folder"),
        ((SWITCHER, "--sequence", "missing.toml"), "missing.toml: no such file"),
        ((SWITCHER, "--fixture", str(SWITCHER / "by_hand_fixture.toml")), "no setup"),
        ((SWITCHER, "--fault", "K1 nevr operates"), "K1 never operates"),
        ((SWITCHER, "--workers", "tcp://127.0.0.1:1"), "no scheduler answers there"),
    ],
)
def test_mistakes_are_told_in_a_line(
    arguments: tuple[str | Path, ...],
    words: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("harness.cli.coverage.ANSWERS_WITHIN", "1s")  # on the loopback it would
    done = switchwalk(capsys, "coverage", *map(str, arguments))
    assert done.code == 2
    assert words in done.err
    assert "Traceback" not in done.err


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    """A scheduler and two worker processes on the loopback, as `dask scheduler` and `dask worker` are."""
    import distributed  # one of the tests' own requirements

    os.environ["PYTHONPATH"] = str(SWITCHER.parents[1])
    with distributed.LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        silence_logs=50,
    ) as made:
        yield made


@pytest.mark.filterwarnings("ignore")  # the cluster's own libraries deprecate among themselves
def test_a_cluster_of_two_processes_gives_identical_results(cluster: Cluster) -> None:
    from distributed import Client

    job = load_job(SWITCHER, sequence_file=Path(BY_HAND[1]), fixture_file=Path(BY_HAND[3]))
    plan = build_plan(job, impedances=BenchImpedances())
    faults = hard_faults(job)
    with Client(cluster, set_as_default=False) as client:  # type: ignore[no-untyped-call]
        assert len(client.scheduler_info()["workers"]) == 2
        # Done by one worker, as this process may have more BLAS threads, and those round another way.
        alone = client.submit(signatures, job, plan, faults).result()
        shared = signatures(job, plan, faults, executor=client.get_executor())
    assert np.array_equal(alone.transfers, shared.transfers)


@pytest.mark.filterwarnings("ignore")
def test_the_command_shares_its_work_with_a_cluster(
    cluster: Cluster, few_states: tuple[str | Path, ...], hand_json: dict[str, Any]
) -> None:
    done = run_coverage(*few_states, "--workers", cluster.scheduler_address)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == hand_json


@pytest.mark.filterwarnings("ignore")
def test_units_of_the_diagnosis_experiment_are_shared_out_too(cluster: Cluster) -> None:
    from distributed import Client

    from benchmarks.diagnosis_cases import diagnose_unit

    with Client(cluster, set_as_default=False) as client:  # type: ignore[no-untyped-call]
        one, other = (
            client.submit(diagnose_unit, "X-1", "K3 never operates", workers=[worker], pure=False)
            for worker in client.scheduler_info()["workers"]
        )
        cases = [replace(future.result(), seconds=0.0) for future in (one, other)]
    assert cases[0] == cases[1]
    assert (cases[0].place, cases[0].verdict) == (0, "fail")
