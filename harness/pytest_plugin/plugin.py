"""Options and fixtures. Every pytest on this machine imports this file: nothing heavy until it is asked for.

What they do is in `harness.pytest_plugin.session`, which is imported by name by the first that needs it.
Documented in docs/python.md. `-p no:switchwalk` leaves all of it out.
"""

from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from harness.errors import SwitchwalkError

STATE = "switchwalk_state"
NO_JOB = "no job given: use --switchwalk-job DIR, or switchwalk_job = DIR in pytest's configuration"
NO_BENCH = "no bench given: use --switchwalk-bench simulated, or a bench file"
OTHER_FILES = ("fixture", "sequence")

SESSION: pytest.StashKey[Any] = pytest.StashKey()
JOB: pytest.StashKey[Any] = pytest.StashKey()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options of a session at a bench; what is the same every time can stand in pytest's configuration."""
    group = parser.getgroup("switchwalk", "switchwalk: tests of a unit at a bench")
    group.addoption(
        "--switchwalk-bench",
        metavar="WHERE",
        help="the bench to test on: simulated, or a bench file. Without it, tests that need one are skipped",
    )
    group.addoption("--switchwalk-serial", metavar="SERIAL", help="serial number of the unit in the fixture")
    group.addoption("--switchwalk-job", metavar="DIR", help="folder of the job; default from switchwalk_job")
    for name in OTHER_FILES:
        group.addoption(
            f"--switchwalk-{name}", metavar="FILE", help=f"another {name}.toml than the job's own"
        )
    group.addoption(
        "--switchwalk-records",
        metavar="PLACE",
        help="a SQLite file or a database URL; default from switchwalk_records, or "
        "switchwalk-records/records.sqlite",
    )
    group.addoption("--switchwalk-operator", metavar="NAME", help="who tests; recorded with the run")
    group.addoption(
        "--switchwalk-fault",
        metavar="NAME",
        action="append",
        default=[],
        help="a fault of the simulated unit, by its name in `switchwalk coverage`; may be repeated",
    )
    group.addoption(
        "--switchwalk-speed",
        metavar="TIMES",
        type=float,
        default=1.0,
        help="speed of the simulated bench, times real time",
    )
    parser.addini("switchwalk_job", "folder of the job, seen from the configuration file")
    parser.addini("switchwalk_records", "records: a SQLite file, seen from the configuration file, or a URL")


def pytest_configure(config: pytest.Config) -> None:
    """If a bench was asked for, refuse options that do not fit, and begin to watch the tests."""
    if not config.getoption("switchwalk_bench"):
        return
    refused = _refused(config)
    if refused:
        raise pytest.UsageError(refused)
    folder, records = _job_folder(config) or Path(), _records(config)
    config.stash[SESSION] = _session_module().BenchSession(
        config, folder=folder, records=records, others=_other_files(config)
    )
    config.pluginmanager.register(config.stash[SESSION], "switchwalk-bench")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run a test in every state of the job's sequence if it asks for `switchwalk_state` and names none."""
    named = [mark.args[0] for mark in metafunc.definition.iter_markers("parametrize") if mark.args]
    if STATE not in metafunc.fixturenames or any(STATE in names for names in named):
        return
    if _job_folder(metafunc.config) is None:
        skipped = pytest.param("", marks=pytest.mark.skip(reason=NO_JOB), id="no job")
        metafunc.parametrize(STATE, [skipped], indirect=True)
        return
    try:
        states = [state.name for state in _job(metafunc.config).sequence.states]
    except SwitchwalkError as error:
        raise pytest.Collector.CollectError(str(error)) from None
    metafunc.parametrize(STATE, states, indirect=True)


@pytest.fixture(scope="session")
def switchwalk_job(pytestconfig: pytest.Config) -> Any:
    """The job, a `Job`: module, fixture and sequence as they stand in its files."""
    if _job_folder(pytestconfig) is None:
        pytest.skip(NO_JOB)
    try:
        return _job(pytestconfig)
    except SwitchwalkError as error:
        pytest.fail(str(error), pytrace=False)


@pytest.fixture(scope="session")
def switchwalk_module(switchwalk_job: Any) -> Any:
    """The unit as in module.toml, a `Module`: its ports, control lines, relays and parts."""
    return switchwalk_job.module


@pytest.fixture
def switchwalk_state(request: pytest.FixtureRequest) -> str:
    """A state's name; the test runs once for every state of the job's sequence."""
    return str(request.param)


@pytest.fixture(scope="session")
def switchwalk_bench(pytestconfig: pytest.Config) -> Any:
    """The bench with the unit in its fixture, a `CustomTests`; off between tests, made safe at the end."""
    if SESSION not in pytestconfig.stash:
        pytest.skip(NO_BENCH)
    return pytestconfig.stash[SESSION].open()


@pytest.fixture(scope="session")
def switchwalk_measure(switchwalk_bench: Any) -> Any:
    """Measure a state, both channels, as the sequence says: a function from its name to its readings."""
    return switchwalk_bench.measure


def _session_module() -> Any:
    return import_module("harness.pytest_plugin.session")


def _refused(config: pytest.Config) -> str:
    """Why the options cannot be; "" if they can."""
    if _job_folder(config) is None:
        return f"--switchwalk-bench: {NO_JOB}"
    if not config.getoption("switchwalk_serial"):
        return (
            "--switchwalk-bench needs the serial number of the unit in the fixture: add --switchwalk-serial"
        )
    if getattr(config.option, "numprocesses", None) or hasattr(config, "workerinput"):
        return "--switchwalk-bench: one unit in one fixture is tested by one process. Leave -n out"
    return ""


def _job(config: pytest.Config) -> Any:
    """Read the job, once. Raises JobError with every mistake of its files."""
    if JOB not in config.stash:
        folder = _job_folder(config) or Path()
        config.stash[JOB] = _session_module().load_job(folder, **_other_files(config))
    return config.stash[JOB]


def _job_folder(config: pytest.Config) -> Path | None:
    given = config.getoption("switchwalk_job")
    if given:
        return config.invocation_params.dir / str(given)
    configured = str(config.getini("switchwalk_job"))
    return _beside_configuration(config) / configured if configured else None


def _other_files(config: pytest.Config) -> dict[str, Path | None]:
    """What is read in place of the job's own, as `load_job` takes it."""
    given = {name: config.getoption(f"switchwalk_{name}") for name in OTHER_FILES}
    here = config.invocation_params.dir
    return {f"{name}_file": None if path is None else here / path for name, path in given.items()}


def _records(config: pytest.Config) -> str | None:
    given = config.getoption("switchwalk_records")
    configured = str(config.getini("switchwalk_records"))
    if given or not configured:
        return str(given) if given else None
    return configured if "://" in configured else str(_beside_configuration(config) / configured)


def _beside_configuration(config: pytest.Config) -> Path:
    return config.rootpath if config.inipath is None else config.inipath.parent
