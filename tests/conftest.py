"""Settings of all tests."""

import os

from hypothesis import settings

# Tests run side by side; threads of linear algebra would wait for each other's turn on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# A busy machine makes no test fail: speed is measured in benchmarks, never in a test.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
