"""Work past one machine: a Dask cluster's workers as an executor like any other."""

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from importlib import import_module

from harness.errors import UsageError

ANSWERS_WITHIN = "10s"  # a scheduler


@contextmanager
def cluster(workers: str | None) -> Iterator[Executor | None]:
    """A cluster's workers as an executor; nothing where none are asked for."""
    if workers is None:
        yield None
        return
    try:
        distributed = import_module("distributed")
    except ImportError:
        raise UsageError(
            '--workers needs the package distributed: pip install "switchwalk[cluster]"'
        ) from None
    try:
        client = distributed.Client(workers, timeout=ANSWERS_WITHIN, set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"--workers {workers}: no scheduler answers there ({error}); expected an address such as "
            "tcp://10.0.0.5:8786, which `dask scheduler` prints"
        ) from error
    try:
        yield client.get_executor()
    finally:
        client.close()
