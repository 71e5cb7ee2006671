"""Settings of all tests."""

import gc
import os
import sys
from pathlib import Path

import pytest
from hypothesis import settings

# Tests run side by side; threads of linear algebra would wait for each other's turn on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# For the same reason a study under test that is not told how many workers it has takes one.
os.sched_getaffinity = lambda pid: {0}
# What a process leaves uncollected in a minute costs less than looking for it often.
gc.set_threshold(50_000, 20, 50)

# A busy machine makes no test fail: speed is measured in benchmarks, never in a test. Half the usual examples, again
# others in every run.
settings.register_profile("untimed", deadline=None, max_examples=50)
settings.load_profile("untimed")


def pytest_configure(config):
    """A run of all tests writes no assertion anew, a third of the time to collect them; one of some files does."""
    if [Path(place).name for place in config.args] == [Path(__file__).parent.name]:
        sys.meta_path[:] = [finder for finder in sys.meta_path if finder is not config.pluginmanager.rewrite_hook]


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
