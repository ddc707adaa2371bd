"""`switchwalk cover`, as a person and another program use it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.descriptions.load import load_job
from harness.faults.coverage import hard_faults
from harness.faults.signatures import signatures
from harness.plan.build import build_plan

SWITCHER = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
BY_HAND = (
    "--sequence",
    str(SWITCHER / "by_hand_sequence.toml"),
    "--fixture",
    str(SWITCHER / "by_hand_fixture.toml"),
)


def run_cover(*arguments):
    return subprocess.run(
        [sys.executable, "-c", "from harness.cli.app import main; main()", "cover", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=170,
        cwd=SWITCHER.parents[1],
        check=False,
    )


@pytest.fixture(scope="module")
def hand_json():
    done = run_cover(SWITCHER, *BY_HAND, "--json", "--minimal")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_json_has_the_figures_that_were_promised(hand_json):
    assert {"possible", "seen", "unseen", "groups", "contacts"} <= set(hand_json)
    assert hand_json["possible"] - hand_json["seen"] == len(hand_json["unseen"])
    assert hand_json["possible"] == len(hand_json["faults"]) >= 200
    assert "K1 never operates" in hand_json["unseen"]
    assert all(len(group) > 1 for group in hand_json["groups"])
    assert {"contact", "smallest_seen_ohm"} <= set(hand_json["contacts"][0])
    assert hand_json["contacts"][0]["contact"] == "K1.1.hot rest"


def test_json_tells_what_fewer_steps_would_save(hand_json):
    minimal = hand_json["minimal"]
    assert minimal["proven"]
    assert minimal["after"]["acquisitions"] < minimal["before"]["acquisitions"]
    assert minimal["after"]["operations"] < minimal["before"]["operations"]


def test_the_text_fits_a_terminal_and_names_what_matters():
    done = run_cover(SWITCHER, *BY_HAND)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0] == "Two-loop line switcher (HFM-TLS B), Hand test"
    assert lines[1].startswith("164 of 264 faults seen (62.1 %)")
    assert "  K1 never operates: changes nothing that is looked at" in lines
    assert any(line.startswith("  unequal pads, every leg another") for line in lines)
    assert any(line.startswith("  K1.1.hot rest  ") for line in lines)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((SWITCHER / "nowhere",), "no such folder"),
        ((SWITCHER, "--sequence", "missing.toml"), "no such file as missing.toml"),
        ((SWITCHER, "--fixture", str(SWITCHER / "by_hand_fixture.toml")), "no hookup"),
        ((SWITCHER, "--workers", "tcp://127.0.0.1:1"), "no scheduler answers there"),
    ],
)
def test_mistakes_are_told_in_a_line(arguments, words):
    done = run_cover(*arguments)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr


@pytest.fixture(scope="module")
def cluster():
    """A scheduler and two worker processes on the loopback, as `dask scheduler` and `dask worker` are."""
    import distributed  # one of the tests' own requirements

    os.environ["PYTHONPATH"] = str(SWITCHER.parents[1])
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        silence_logs=50,
    ) as made:
        yield made


@pytest.mark.filterwarnings("ignore")  # the cluster's own libraries deprecate among themselves
def test_a_cluster_of_two_processes_gives_identical_results(cluster):
    from distributed import Client

    job = load_job(SWITCHER, sequence_file=Path(BY_HAND[1]), fixture_file=Path(BY_HAND[3]))
    plan = build_plan(job, impedances=BenchImpedances())
    faults = hard_faults(job)
    with Client(cluster, set_as_default=False) as client:
        assert len(client.scheduler_info()["workers"]) == 2
        # Done by one worker, as this process may have more BLAS threads, and those round another way.
        alone = client.submit(signatures, job, plan, faults, impedances=BenchImpedances()).result()
        shared = signatures(job, plan, faults, impedances=BenchImpedances(), executor=client.get_executor())
    assert np.array_equal(alone.transfers, shared.transfers)


@pytest.mark.filterwarnings("ignore")
def test_the_command_shares_its_work_with_a_cluster(cluster, hand_json):
    done = run_cover(SWITCHER, *BY_HAND, "--json", "--minimal", "--workers", cluster.scheduler_address)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == hand_json
