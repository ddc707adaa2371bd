"""Whole runs on a bench in trouble: the unit is never blamed, nothing wrong is recorded, the bench ends safe.

Instruments, troubles and wires are real processes and sockets; only the simulator's clock runs faster.
"""

import json
import random
import re
import threading
from collections.abc import Iterator
from pathlib import Path
from zlib import crc32

import pytest

from harness.reading import Reading, ReadingKey
from harness.records.store import open_records
from tests.known import known
from tests.wire.standing_bench import Bench, Wire, kept, key, standing_bench, tiny_job

SAME_WITHIN = {"dB": 0.03, "A": 0.001}  # repeats of a reading on the simulated bench differ by a tenth of it


@pytest.fixture(scope="module")
def clean(lasting_bench: Bench) -> tuple[dict[ReadingKey, Reading], list[dict[str, str]]]:
    """What a run makes on a bench without trouble, and every message of it."""
    transcript = lasting_bench.folder / "clean.jsonl"
    code, message = lasting_bench.nursery.run(
        *lasting_bench.run_arguments("CLEAN"), "--transcript", str(transcript)
    )
    assert code == 0, message
    lines = [json.loads(line) for line in transcript.read_text(encoding="utf-8").splitlines()]
    return {key(reading): reading for reading in kept(lasting_bench, "CLEAN")[1]}, lines


@pytest.fixture
def bench(lasting_bench: Bench) -> Iterator[Bench]:
    yield lasting_bench
    lasting_bench.standing.trouble("none")


def answers_before(lines: list[dict[str, str]], instrument: str, question: str, nth: int) -> int:
    """How many answers an instrument gives before the nth one to this question from the last one on."""
    own = [line for line in lines if line["instrument"] == instrument]
    asked = [index for index, line in enumerate(own) if line.get("bytes", "").startswith(question)]
    return sum(line["direction"] == "in" for line in own[: asked[nth]])


def check_readings(bench: Bench, serial: str, clean: dict[ReadingKey, Reading]) -> list[Reading]:
    """Each reading is missing with its reason, or as it is without trouble; gives those that are missing."""
    _, readings = kept(bench, serial)
    for reading in readings:
        if reading.verdict == "missing":
            assert reading.reason.startswith("the bench failed: ")
            assert reading.estimate is None
            continue
        assert reading.verdict == "pass"
        expected = known(clean[key(reading)].estimate).value
        assert known(reading.estimate).value == pytest.approx(expected, abs=SAME_WITHIN[reading.unit])
    return [reading for reading in readings if reading.verdict == "missing"]


def outcome(bench: Bench, serial: str) -> tuple[str, str, list[str]]:
    """How a unit's run ended, why, and what befell it."""
    run, _ = kept(bench, serial)
    with open_records(bench.records, read_only=True) as store:
        record = store.run(run)
        return record.outcome, record.reason, [event.kind for event in store.events(run)]


def bench_faults(bench: Bench, serial: str) -> list[str]:
    """What the records say of each fault of the bench during a unit's run."""
    run, _ = kept(bench, serial)
    with open_records(bench.records, read_only=True) as store:
        return [event.text for event in store.events(run) if event.kind == "bench fault"]


def test_a_generator_that_fails_in_the_through_reference_does_not_just_end_it(
    bench: Bench, clean: tuple[dict[ReadingKey, Reading], list[dict[str, str]]]
) -> None:
    """Without the reference's lower levels a range's gain stays uncertain, and a good unit is unproven."""
    _, lines = clean
    levels = [line["bytes"] for line in lines if line.get("bytes", "").startswith("SOURce1:VOLTage ")]
    # Leads at a low level, then the level of the run, then down from there.
    after = answers_before(lines, "generator", levels[2].strip(), 0)
    bench.standing.trouble(f"generator error -310 after {after}")
    code, message = bench.nursery.run(*bench.run_arguments("T-CLIMB"))
    assert code == 0, message
    assert outcome(bench, "T-CLIMB")[0] == "pass"  # the reference was taken again
    (fault,) = bench_faults(bench, "T-CLIMB")
    assert "generator at " in fault
    assert "-310" in fault
    assert bench.standing.left_on() == []


@pytest.mark.parametrize(
    ("trouble", "message"),
    [
        ("generator mute after 0", "nothing arrived"),
        ("supply rubbish after 0", "expected"),
        ("switchboard half after 0", "without a line feed"),
        ("oscilloscope drop after 4", "closed the connection"),
        ("oscilloscope error -113 after 2", "reports -113"),
        ("oscilloscope error -310 after 4", "reports -310"),
    ],
)
def test_a_bench_fault_that_passes_by_while_the_bench_is_opened_is_recorded_with_the_run(
    bench: Bench,
    clean: tuple[dict[ReadingKey, Reading], list[dict[str, str]]],
    trouble: str,
    message: str,
    request: pytest.FixtureRequest,
) -> None:
    serial = f"T-{crc32(request.node.name.encode())}"
    bench.standing.trouble(trouble)
    code, text = bench.nursery.run(*bench.run_arguments(serial))
    assert code == 0, text
    assert check_readings(bench, serial, clean[0]) == []
    (fault,) = bench_faults(bench, serial)
    assert fault.startswith(f"while the bench was opened, {trouble.split()[0]} at ")
    assert message in fault
    assert bench.standing.left_on() == []


@pytest.mark.parametrize(
    ("instrument", "question", "nth", "trouble", "message"),
    [
        ("oscilloscope", ":WAVeform:PREamble?", -1, "late 3000", "no complete answer within 2 s"),
        ("oscilloscope", ":WAVeform:PREamble?", -5, "half", "without a line feed"),
        ("oscilloscope", ":WAVeform:PREamble?", -5, "half 2500", "without a line feed"),
        ("oscilloscope", ":WAVeform:PREamble?", -2, "rubbish", "expected plain ASCII text"),
        ("oscilloscope", ":WAVeform:PREamble?", -2, "mute", "nothing arrived"),
        ("oscilloscope", ":WAVeform:DATA?", -3, "garble", "expected a block of data"),
        ("oscilloscope", ":WAVeform:DATA?", -3, "short", "bytes of the block arrived"),
        ("oscilloscope", ":WAVeform:DATA?", -1, "drop", "closed the connection"),
        ("oscilloscope", "*OPC?", -1, "drop", "closed the connection"),
        ("oscilloscope", "*OPC?", -1, "error -365", "reports -365"),
        ("supply", "MEASure:CURRent?", -1, "mute", "nothing arrived"),
        ("supply", "MEASure:CURRent?", -3, "rubbish", "expected plain ASCII text"),
        ("supply", "MEASure:VOLTage?", -5, "drop", "closed the connection"),
        ("switchboard", "ROUTe:CLOSe?", -2, "late 2500", "no complete answer within 2 s"),
        ("switchboard", "ROUTe:CLOSe?", -2, "drop", "closed the connection"),
    ],
)  # fmt: skip
def test_a_bench_fault_that_passes_by_costs_the_unit_nothing(
    bench: Bench,
    clean: tuple[dict[ReadingKey, Reading], list[dict[str, str]]],
    instrument: str,
    question: str,
    nth: int,
    trouble: str,
    message: str,
    request: pytest.FixtureRequest,
) -> None:
    """What the fault cost is measured once more, and the run ends as one without trouble does."""
    readings, lines = clean
    serial = f"T-{crc32(request.node.name.encode())}"
    after = answers_before(lines, instrument, question, nth)
    bench.standing.trouble(f"{instrument} {trouble} after {after}")
    code, text = bench.nursery.run(*bench.run_arguments(serial))
    assert code == 0, text
    assert check_readings(bench, serial, readings) == []
    assert outcome(bench, serial)[0] == "pass"
    faults = bench_faults(bench, serial)
    assert len(faults) == 1
    assert message in faults[0]
    assert f"{instrument} at " in faults[0]
    assert len(kept(bench, serial)[1]) == len(readings)
    assert bench.standing.left_on() == []


KINDS = ("late 2500", "half", "half 2200", "mute", "drop", "garble", "short", "error -310", "rubbish")


@pytest.mark.parametrize("seed", range(4))
def test_no_trouble_at_any_moment_makes_a_wrong_reading(
    bench: Bench, clean: tuple[dict[ReadingKey, Reading], list[dict[str, str]]], seed: int
) -> None:
    """Two troubles, of any kind, on any instrument, at any of its answers.

    A sample: benchmarks/soak/troubles.py goes on for hours.
    """
    readings, lines = clean
    chance = random.Random(seed)
    troubles = []
    for _ in range(2):
        instrument = chance.choice(("generator", "oscilloscope", "supply", "switchboard"))
        total = sum(line["instrument"] == instrument and line["direction"] == "in" for line in lines)
        troubles.append(f"{instrument} {chance.choice(KINDS)} after {chance.randrange(total)}")
        bench.standing.trouble(troubles[-1])
    serial = f"R-{seed}"
    code, message = bench.nursery.run(*bench.run_arguments(serial))
    print(f"seed {seed}: {'; '.join(troubles)}: exit {code}")
    assert code in (0, 4), message
    assert "Traceback" not in message
    bench.standing.trouble("none")
    missing = check_readings(bench, serial, readings)
    run, _ = kept(bench, serial)
    if run:
        assert outcome(bench, serial)[0] == ("pass" if code == 0 else "stopped")
    if code == 0:
        assert not missing
        assert "NOT SAFE" not in message
    if "NOT SAFE" not in message:
        assert bench.standing.left_on() == []
    else:  # it says so, and the next start finds it
        code, message = bench.nursery.run(*bench.run_arguments(f"{serial}-next"))
        assert code == 0, message
        assert "the bench was not left safe by" in message
        assert bench.standing.left_on() == []


def test_a_bench_that_fails_again_and_again_ends_the_run(bench: Bench) -> None:
    bench.standing.trouble("oscilloscope error -365 after 150 always")
    code, message = bench.nursery.run(*bench.run_arguments("AGAIN"))
    assert code == 4
    assert outcome(bench, "AGAIN")[0] == "stopped"
    assert re.search(r"the bench failed 4 times; the run ends here|oscilloscope at .* -365", message), message
    assert bench.standing.left_on() == []


IN_THE_WALK = {"generator": 40, "supply": 30, "switchboard": 24, "oscilloscope": 140}  # answers


@pytest.mark.parametrize(
    ("dead", "board"),
    [
        ("generator", "route"),
        ("supply", "route"),
        ("oscilloscope", "route"),
        ("switchboard", "route"),
        ("switchboard", "text"),  # on a serial line: the adapter is unplugged
        ("switchboard", "modbus"),
    ],
)
def test_an_instrument_that_dies_among_live_ones_leaves_those_safe(
    lasting_bench: Bench, tmp_path: Path, dead: str, board: str
) -> None:
    """It refuses every connection from the middle of the walk on."""
    job = tiny_job(tmp_path)
    with standing_bench(job, switchboard=board) as standing:
        bench = Bench(tmp_path, job, standing, lasting_bench.nursery)
        standing.trouble(f"{dead} refuse after {IN_THE_WALK[dead]}")
        code, message = bench.nursery.run(*bench.run_arguments("DEAD"))
        assert code == 4, message
        assert f"{dead} at " in message
        others = [role for role in ("generator", "supply", "switchboard") if role != dead]
        on = [what for role in others for what in standing.left_on(role)]
        assert on == []
        assert ("NOT SAFE" in message) == (dead != "oscilloscope")
        assert outcome(bench, "DEAD")[0] == "stopped"
        # The next start cannot make it safe either, says which is not, and still switches off the others.
        code, message = bench.nursery.run(*bench.run_arguments("NEXT"))
        assert code == 4
        assert ("was not left safe by" in message) == (dead != "oscilloscope")
        assert [what for role in others for what in standing.left_on(role)] == []


def test_a_second_client_of_the_same_instruments_gets_none_of_the_answers(
    bench: Bench, clean: tuple[dict[ReadingKey, Reading], list[dict[str, str]]]
) -> None:
    """It asks on connections of its own, as fast as it is answered, from the run's first word to its last."""
    over = threading.Event()
    heard: dict[str, set[str]] = {}

    def ask(role: str, question: str) -> None:
        wire = Wire(bench.standing.ready[role])
        while not over.is_set():
            heard.setdefault(role, set()).add(wire.ask(question))
        wire.close()

    asked = {"generator": "*IDN?", "oscilloscope": "*IDN?", "supply": "*OPC?"}
    clients = [threading.Thread(target=ask, args=pair) for pair in asked.items()]
    for client in clients:
        client.start()
    try:
        code, message = bench.nursery.run(*bench.run_arguments("SECOND-CLIENT"))
    finally:
        over.set()
        for client in clients:
            client.join(10)
    assert code == 0, message
    assert check_readings(bench, "SECOND-CLIENT", clean[0]) == []
    assert {role: len(answers) for role, answers in heard.items()} == dict.fromkeys(asked, 1)


def test_an_answer_that_lost_its_end_is_no_over_current(
    bench: Bench, clean: tuple[dict[ReadingKey, Reading], list[dict[str, str]]]
) -> None:
    """What is left of a current in amperes, cut before its exponent, is a number a thousand times too big."""
    readings, lines = clean
    after = answers_before(lines, "supply", "MEASure:CURRent?", -3)
    bench.standing.trouble(f"supply short after {after}")
    code, message = bench.nursery.run(*bench.run_arguments("CUT"))
    assert code == 0, message
    assert check_readings(bench, "CUT", readings) == []
    assert "one of the two is impossible" in bench_faults(bench, "CUT")[0]
    assert bench.standing.left_on() == []
