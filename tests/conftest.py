"""For every test: the linear algebra on one thread, as the command line has it; children too."""

import os

# Before numpy is imported. Circuits are small; on a busy machine threads make them many times slower.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
