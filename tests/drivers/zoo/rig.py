"""The driver at a scope of the zoo, on a real socket, with a shipped profile or a changed one."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import numpy as np

from drivers.profile import OscilloscopeProfile, parse_profile
from drivers.scope.oscilloscope import ScpiOscilloscope
from drivers.session import Session
from harness.bench_file import AS_THE_PROFILE
from harness.roles import Capture, CaptureSetting, InputSetting
from tests.drivers.own_profiles import profile
from tests.drivers.peers import peer
from tests.drivers.zoo.scope import Scope


@contextmanager
def opened(
    scope: Scope, name: str, changes: Mapping[str, str] | None = None, *, probe: float = 1.0
) -> Iterator[ScpiOscilloscope]:
    """The driver of the scope, by a shipped profile, or by the text of another."""
    own = parse_profile(name, "own.toml") if "\n" in name else profile(name, dict(changes or {}))
    if not isinstance(own, OscilloscopeProfile):
        raise ValueError(f"{name} is no profile of a scope")
    with peer(scope.script) as served:
        dialect = own.dialect(AS_THE_PROFILE)
        session = Session(served.address, instrument="oscilloscope", timeout_s=1.0, dialect=dialect)
        try:
            session.start()
            yield ScpiOscilloscope(session, own, profile_name=name, probe=probe)
        finally:
            session.close()


def wanted(
    *inputs: int, v_per_div: float = 0.5, offset_v: float = 0.0, duration_s: float = 0.01, samples: int = 500
) -> CaptureSetting:
    """What to record: the same setting for each input."""
    setting = InputSetting(volts_per_division=v_per_div, offset_v=offset_v)
    return CaptureSetting(inputs=dict.fromkeys(inputs, setting), duration_s=duration_s, samples=samples)


def worst_error_v(capture: Capture, scope: Scope) -> float:
    """The largest difference between a record and what the scope's inputs showed, sample by sample."""
    if scope.record is None:
        raise ValueError("nothing was recorded")
    truth = np.stack([scope.record.volts[n] for n in capture.inputs])
    return float(np.abs(capture.volts - truth).max())
