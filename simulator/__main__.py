"""Lets `python -m simulator JOB` start the simulator."""

import os
import sys


def run() -> int:
    """Run the command line with single-threaded linear algebra.

    The circuits are small: more threads only wait for each other, twenty times as long on a busy machine. The
    libraries read these when numpy is first imported, hence the late import.
    """
    for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
    from simulator.command import main

    return main()


if __name__ == "__main__":
    sys.exit(run())
