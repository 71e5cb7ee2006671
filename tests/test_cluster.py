"""Workers on a cluster: the same bytes, also where one of them dies; an address where nobody answers is one line."""

import os
import signal
import sys
from functools import partial
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

import pytest

from jetsim import cluster as clusters
from jetsim.errors import InputError
from jetsim.experiment.replicates import indices_by_replicate
from jetsim.options import Options
from tests.test_ensemble import SPACE, model

pytestmark = [
    pytest.mark.filterwarnings("ignore::Warning"),
    pytest.mark.skipif(find_spec("distributed") is None, reason="no distributed: install jetsim[test]"),
]
SIZES = {"base_samples": 64, "replicates": 6, "rng": 3}


def deadly(mark, samples):
    """The first worker that gets here kills itself."""
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return model(samples)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there such signals cannot be sent")
def test_a_worker_that_dies_is_replaced_and_changes_no_byte(tmp_path):
    mark = tmp_path / "died"
    asked = Options(Path("x"), Path("y"), workers=1, cluster="local")
    with asked.hands(), asked.executor() as pool:
        found = indices_by_replicate(SPACE, partial(deadly, mark), executor=pool, **SIZES)
    assert mark.exists()
    assert found.identical(indices_by_replicate(SPACE, model, **SIZES))


@pytest.mark.parametrize("address", ["nowhere", "tcp://:", "tcp://host", ""])
def test_what_is_no_address_is_one_line(address):
    asked = Options(Path("x"), Path("y"), cluster=address)
    with pytest.raises(InputError, match=r"--cluster .*: no scheduler answers there") as caught, asked.hands():
        pass
    assert "\n" not in str(caught.value)


@pytest.mark.slow  # the client starts a thread and a loop, which a busy machine may keep waiting
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "tcp://127.0.0.1:99999"])
def test_an_address_without_a_scheduler_is_one_line(address, monkeypatch):
    monkeypatch.setattr(clusters, "_PATIENCE", 1)
    asked = Options(Path("x"), Path("y"), cluster=address)
    with pytest.raises(InputError, match=r"--cluster .*: no scheduler answers there") as caught, asked.hands():
        pass
    assert "\n" not in str(caught.value)
    assert import_module("dask").config.get("scheduler", None) is None  # or all that follows would look for a cluster


def test_without_the_engine_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    asked = Options(Path("x"), Path("y"), cluster="local")
    with pytest.raises(InputError, match=r"install the extra, jetsim\[cluster\]"), asked.hands():
        pass
