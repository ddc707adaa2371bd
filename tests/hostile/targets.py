"""What hostile bytes are thrown at: each target takes some and raises only where something is wrong with us.

A refusal in our own words (an error of harness.errors) is right; any other exception is a finding, and so is
a wrong value that gets through. Nothing here waits: the wire is in memory, its peer answers at once or never.
"""

from collections.abc import Callable, Iterator

from harness.job.faults import Fault
from tests.hostile import file_targets, job_targets, record_targets, simulator_targets, wire_targets
from tests.hostile.file_targets import FILES, JOBS, ROLES, ROOT, shipped_job
from tests.hostile.wire_targets import IDENTITY, PREAMBLE

TARGETS: dict[str, Callable[[bytes], None]] = {
    "description": file_targets.description,
    "job": job_targets.edited_job,
    "profile": file_targets.profile,
    "profile name": file_targets.profile_name,
    "fault name": file_targets.fault_name,
    "records": file_targets.record_file,
    "records edited": record_targets.edited_records,
    "answer": wire_targets.answer,
    "block": wire_targets.block,
    "waveform": wire_targets.waveform,
    "dialect": wire_targets.dialect,
    "driver": wire_targets.driver,
    "message": simulator_targets.message,
    "board": simulator_targets.board,
    "control": simulator_targets.control,
}


def seeds(name: str) -> list[bytes]:
    """Good inputs of a target, which hostile ones are made from."""
    return list(_SEEDS[name]())


def _descriptions() -> Iterator[bytes]:
    for job in JOBS:
        for path in sorted(job.glob("*.toml")):
            kind = next((n for n, file in enumerate(FILES) if file in path.name), None)
            if kind is not None:
                yield bytes((kind,)) + path.read_bytes()


def _profile_texts() -> Iterator[bytes]:
    for path in sorted((ROOT / "drivers" / "profiles").glob("*.toml")):
        kind = next(n for n, role in enumerate(ROLES) if role.removesuffix("oscope") in path.name)
        yield bytes((kind,)) + path.read_bytes()


def _fault_names() -> Iterator[bytes]:
    from harness.job.faults import single_faults

    result: list[Fault] = list(single_faults(shipped_job().module, shipped_job().fixture))
    yield from (str(one).encode() for one in result[::7])


_SEEDS: dict[str, Callable[[], Iterator[bytes]]] = {
    "description": _descriptions,
    "profile": _profile_texts,
    "profile name": lambda: iter((b"scpi-supply", b"../../outside", b"outside", b"/etc/passwd", b"a.b-c_d")),
    "fault name": _fault_names,
    "records": lambda: iter((b"", bytes.fromhex("001000410020000000500020"))),
    "records edited": lambda: iter(
        (bytes((5,)), bytes.fromhex("03060001120500021b"), bytes.fromhex("0a09000231"))
    ),
    "job": lambda: iter((b"", bytes.fromhex("0003020100"), bytes.fromhex("01050307110a040512"))),
    "answer": lambda: iter(
        bytes((kind,)) + text
        for kind in (0, 1, 2, 3, 8)
        for text in (b"+1.2340E+01\n", b'0,"No error"\n', b'-410,"Query INTERRUPTED"\n', IDENTITY + b"\r\n")
    ),
    "block": lambda: iter(
        bytes((kind,)) + text
        for kind in range(8)
        for text in (b"#216" + bytes(range(16)) + b"\n", b"#9000000016" + bytes(16) + b"\r\n", b"#0abc\n")
    ),
    "waveform": lambda: iter((PREAMBLE + b"\x1f#3100" + bytes(range(100)) + b"\n",)),
    "dialect": lambda: iter(
        bytes((which, nth)) + content
        for which, (_, answers) in enumerate(wire_targets.DIALECTS)
        for nth, content in enumerate(answers.values())
    ),
    "driver": lambda: iter(
        bytes((which, nth)) + text
        for which, text in ((0, b"0\n"), (1, b"+0.0E0\n"), (2, b"0,0,0\n"), (3, b"0000\r\n"))
        for nth in range(4)
    ),
    "message": lambda: iter(
        bytes((which,)) + text
        for which, text in (
            (0, b"OUTP1:LOAD INF;:SOUR1:FREQ 1e3;VOLT 2.0;:OUTP1 ON\n*OPC?"),
            (0, b"SOURce2:VOLTage:OFFSet 0;PHASe 180;:SYSTem:ERRor?"),
            (1, b":CHAN1:DISP ON;COUP DC;PROB 1;OFFS 0;SCAL 0.5\n:TIM:SCAL 1e-3;POS 0"),
            (1, b":WAV:SOUR CHAN2;FORM BYTE;POIN 100\n:WAV:PRE?\n:WAV:DATA?"),
            (2, b"INST:NSEL 1;:VOLT 12;CURR 0.2;:OUTP ON;:MEAS:VOLT?;CURR?"),
            (3, b"ROUT:OPEN:ALL;:ROUT:CLOS (@1,3:5);:ROUT:CLOS? (@1:16)"),
        )
    ),
    "board": lambda: iter(
        (
            b"\x00\xa0\x01\x01\xa2\xa0\x01\x00\xa1",
            b"\x01ON 3\r\nSTATE?\r\nALL OFF\r\n",
            b"\x02\x01\x05\x00\x02\xff\x00\x2d\xfa\x01\x01\x00\x00\x00\x10\x3d\xc6",
            b"\x02\x01\x0f\x00\x00\x00\x10\x02\xff\x00\xa2\x90",
        )
    ),
    "control": lambda: iter(
        (
            b'{"trouble": "oscilloscope late 800 ms after 20 always"}\n{"trouble": "none"}\n',
            b'{"unit": "S1", "faults": ["K3 never operates"]}\n{"quit": true}\n',
        )
    ),
}
