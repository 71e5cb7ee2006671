"""Settings of all tests."""

import os

import pytest
from hypothesis import settings

from jetsim import options

# Tests run side by side; threads of linear algebra would wait for each other's turn on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# A busy machine makes no test fail: speed is measured in benchmarks, never in a test.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture(autouse=True, scope="session")
def alone():
    """Tests run side by side: a study inside one has one worker, unless it asks for more."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(options, "processors", lambda: 1)
        yield
