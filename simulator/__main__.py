"""Lets `python -m simulator JOB` start the simulator."""

import sys

from simulator.command import main

sys.exit(main())
