"""Settings of all tests; loaded before numpy is."""

import os

# As the command line has it: small matrices, and two test processes on two cores.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
