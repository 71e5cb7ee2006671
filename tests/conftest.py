"""Settings of all tests."""

import gc
import os

import pytest
from hypothesis import settings

# Tests run side by side; threads of linear algebra would wait for each other's turn on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# For the same reason a study under test that is not told how many workers it has takes one.
os.sched_getaffinity = lambda pid: {0}

# A busy machine makes no test fail: speed is measured in benchmarks, never in a test.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_collection_finish():
    """What was loaded and collected stays: nobody need search it for garbage, and no study need count it."""
    gc.freeze()
    gc.get_freeze_count = lambda: 1


def shared(path):
    """The file of a whole study that computes what the tests of this one read: its own or a neighbour's."""
    return path.with_name("test_study_teaching_page.py") if path.name == "test_teaching_browser.py" else path


@pytest.hookimpl(trylast=True)  # when those that are not run are left out
def pytest_collection_modifyitems(items):
    """Files of whole studies open each half of the tests: two processes fly no study twice, and end together."""
    files = list(dict.fromkeys(item.path for item in items if item.path.name.startswith("test_study_")))
    first, second = ([item for item in items if shared(item.path) in files[start::2]] for start in (0, 1))
    rest = [item for item in items if shared(item.path) not in files]
    middle = max(len(items) // 2 - len(first), 0)
    items[:] = [*first, *rest[:middle], *second, *rest[middle:]]
