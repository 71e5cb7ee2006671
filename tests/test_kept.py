"""Finished pieces: named alike everywhere, taken up to the last bit, lost to no kill and shared by no two runs."""

import errno
import functools
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim import kept
from jetsim.equipment.questions import load_question
from jetsim.errors import InputError
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.kept import Ledger, kept_map, name_of, packed, unpacked
from jetsim.rankings.question import RankQuestion
from jetsim.study import Findings, Study, run
from tests import samples
from tests.test_ensemble import SPACE, Failing, missing

ROOT = Path(__file__).resolve().parents[1]
INPUTS = ROOT / "studies" / "inputs"
IDENTITY = {"study": "demo", "version": "1"}


@pytest.fixture
def place(tmp_path):
    return tmp_path / "results" / ".demo.unfinished"


def opened(place, resume=True, **changes):
    return Ledger(place, {**IDENTITY, **changes}, resume)


def test_names_tell_values_apart_and_do_not_depend_on_order_or_identity():
    array = np.arange(3.0)
    same = [(array, {"a": 1, "b": {2, 3}}), (array.copy(), {"b": {3, 2}, "a": 1})]
    assert name_of(*same[0]) == name_of(*same[1])
    others = [(1,), (1.0,), (True,), ("1",), ("a;b",), ("a", "b"), (("a", "b"),), (None,), (array,), (array[:2],),
              (array.astype("f4"),), (array.reshape(1, 3),), (-0.0,), (0.0,), (max,), (min,), (SPACE,),
              (xr.Dataset({"x": ("s", array)}),), (xr.Dataset({"x": ("t", array)}),), (xr.DataArray(array),),
              (functools.partial(max, 1),), (functools.partial(max, 2),), (Failing("nan"),), (Failing("inf"),),
              ({}.get,), ({1: 2}.get,), (Path("a"),), ([],), ({},)]  # fmt: skip
    names = [name_of(*values) for values in others]
    assert None not in names
    assert len({*names}) == len(names)


@pytest.mark.parametrize("value", [lambda: 0, np.random.default_rng(0), np.array([object()]), object(), iter([])])
def test_what_another_process_would_not_know_again_has_no_name(value):
    assert name_of(value) is None


NAMED = """
from pathlib import Path
from jetsim.equipment.department import load_department
from jetsim.kept import name_of
print(name_of(load_department(Path("studies/inputs/department.toml")).setups))
"""


@pytest.mark.slow
def test_a_set_up_has_the_same_name_in_every_process():
    environment = {**os.environ, "PYTHONHASHSEED": "1", "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", NAMED]
    told = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=True).stdout
    asked = load_question(INPUTS / "rank_controls.toml", RankQuestion)
    assert told.strip() == name_of(asked.department.setups)
    assert name_of(asked.model(asked.setups[0])) is not None


def test_pieces_come_back_to_the_last_bit():
    flags = {"flag_masks": np.array([1, 2], dtype=np.int16), "flag_meanings": "a b"}
    data = xr.Dataset(
        {"reach": ("sample", [0.1, np.nan], {"units": "m"}), "validity": ("sample", np.array([1, 2], np.int16), flags),
         "law": ("sample", np.array(["a", "bc"])), "one": 1.5},
        {"sample": [4, 5]}, {"title": "t", "count": np.int64(3)},
    )  # fmt: skip
    back = unpacked(packed(data))
    xr.testing.assert_identical(back, data)
    assert back["validity"].attrs["flag_masks"].dtype == np.int16
    assert back["law"].dtype == data["law"].dtype
    array = np.array([[1.0, -0.0], [np.nan, 2.0]])
    assert unpacked(packed(array)).tobytes() == array.tobytes()
    with pytest.raises(ValueError, match="objects cannot be kept"):
        packed(np.array([object()]))


def counting(calls, samples):
    CALLS.append(samples.sizes["sample"])
    return missing(samples)


CALLS: list[int] = []


@pytest.mark.parametrize("threads", [0, 2])
def test_chunks_are_taken_up_whatever_the_workers(place, threads):
    space = type(SPACE)(SPACE.parameters, outputs=("z",), undefined="rank reaching", base_samples=16, replicates=4)
    design, known = sobol_design(space), functools.partial(counting, 1)
    wanted = evaluate(design, known, progress=False, chunk=50)
    with kept.keeping(first := opened(place)):
        evaluate(design, known, progress=False, chunk=50)
    count = first.count
    first.close(remove=False)
    CALLS.clear()
    pool = ThreadPoolExecutor(threads) if threads else None
    with kept.keeping(second := opened(place)):
        again = evaluate(design, known, pool, progress=False, chunk=50)
    second.close(remove=True)
    assert (count, second.taken, CALLS) == (12, 12, [])
    xr.testing.assert_identical(again, wanted)
    assert not place.exists()
    if pool:
        pool.shutdown()


def test_what_was_finished_before_a_failure_is_kept(place):
    design = sobol_design(SPACE)
    with kept.keeping(ledger := opened(place)), pytest.raises(InputError, match="failed in run"):
        evaluate(design, Failing("raise"), progress=False, chunk=50)
    assert 0 < ledger.count < 12
    ledger.close(remove=False)


def doubled(array):
    CALLS.append(array.size)
    return 2 * array


@pytest.mark.parametrize("threads", [0, 2])
def test_a_map_is_kept_piece_by_piece(place, threads):
    items = [np.arange(n) for n in range(5)]
    pool = ThreadPoolExecutor(threads) if threads else None
    with kept.keeping(ledger := opened(place)):
        first = kept_map(doubled, items[:3], pool)
        CALLS.clear()
        every = kept_map(doubled, items, pool)
        assert kept.kept(doubled, items[4]).tolist() == [0, 2, 4, 6]
    ledger.close(remove=True)
    assert sorted(CALLS) == [3, 4]
    assert [a.tolist() for a in every] == [(2 * a).tolist() for a in items]
    assert [a.tolist() for a in first] == [a.tolist() for a in every[:3]]
    if pool:
        pool.shutdown()


def test_a_damaged_piece_is_computed_again(place):
    with kept.keeping(ledger := opened(place)):
        kept.kept(doubled, np.arange(4.0))
        (content,) = ledger._asked("SELECT content FROM pieces")[0]
        for place_of_bit in (5, len(content) // 2, len(content) - 30):
            spoilt = bytearray(content)
            spoilt[place_of_bit] ^= 255
            ledger._asked("UPDATE pieces SET content = ?", bytes(spoilt))
            assert kept.kept(doubled, np.arange(4.0)).tolist() == [0, 2, 4, 6]
    ledger.close(remove=True)


def test_pieces_of_another_version_are_refused_and_dropped_without_resume(place):
    ledger = opened(place)
    ledger.keep("a", np.arange(2))
    ledger.close(remove=False)
    with pytest.raises(InputError, match="holds pieces of a run with another version; leave out --resume"):
        opened(place, version="2")
    assert opened_and_closed(place, resume=True) == 1
    assert opened_and_closed(place, resume=False, version="2") == 0


def opened_and_closed(place, **options):
    ledger = opened(place, **options)
    ledger.close(remove=False)
    return ledger.taken


@pytest.mark.parametrize("content", [b"no database", b"SQLite format 3\0" + bytes(200), b"x" * 5000])
def test_a_damaged_file_is_one_line_or_dropped(place, content):
    place.parent.mkdir()
    place.write_bytes(content)
    with pytest.raises(InputError, match="cannot be read; leave out --resume to start afresh"):
        opened(place)
    assert opened_and_closed(place, resume=False) == 0


def test_two_runs_are_told_apart(place):
    ledger = opened(place)
    ledger.keep("a", np.arange(2))
    for resume in (True, False):
        with pytest.raises(InputError, match="another run is writing there"):
            opened(place, resume=resume)
    ledger.keep("b", np.arange(2))
    ledger.close(remove=False)
    assert opened_and_closed(place, resume=True) == 2


def test_a_full_disk_is_an_error_of_the_system(place):
    ledger = opened(place)
    ledger.keep("a", np.arange(2))
    ledger._asked("PRAGMA max_page_count = 10")
    with pytest.raises(OSError, match="No space left on device") as caught:
        ledger.keep("b", np.zeros(100_000))
    assert caught.value.errno == errno.ENOSPC
    ledger.close(remove=False)
    again = opened(place)
    assert again.find("a").tolist() == [0, 1]
    again.close(remove=True)


def test_threads_end_when_the_run_has_ended(place):
    with kept.keeping(ledger := opened(place)):
        kept.stop()
        with pytest.raises(kept.Stopped):
            kept.kept(doubled, np.arange(3))
    ledger.close(remove=True)


def test_nothing_is_kept_without_a_ledger_or_within_a_piece(place):
    def inner(array):
        seen.append(kept.current())
        return array

    seen = []
    kept.kept(inner, np.arange(2))
    with kept.keeping(ledger := opened(place)):
        kept.whole(inner, np.arange(2))
        other = threading.Thread(target=lambda: seen.append(kept.current()))
        other.start()
        other.join()
    assert seen == [None, None, ledger]
    ledger.close(remove=True)


def counted_piece(place, number):
    with place.open("ab") as file:
        file.write(b".")
    time.sleep(0.005)
    return np.random.default_rng(number).random(1000)


def tiny(place):
    """A study of forty pieces, which are counted in a file."""
    (place / "inputs").mkdir()
    (place / "inputs" / "tiny.toml").write_text("")
    (place / "tiny.py").write_text("")

    def compute(loaded, options):
        values = [kept.kept(counted_piece, place / "count", number) for number in range(40)]
        return Findings(samples.report(sections=()), texts={"sum.txt": repr(float(np.sum(values)))})

    return Study("tiny", "Tiny.", place / "tiny.py", lambda _: "", lambda *_: "Runs: 40", compute)


def begun(study, *argv):
    """The study in a process of its own."""
    child = os.fork()
    if not child:
        os._exit(run(study, ["--quick", "--workers", "1", *argv]))
    return child


def killed_after(child, count, pieces):
    """Kill a child as soon as so many pieces are counted."""
    while not count.exists() or count.stat().st_size < pieces:
        time.sleep(0.001)
    os.kill(child, signal.SIGKILL)
    return os.waitpid(child, 0)[1]


def content(folder):
    files = {p.name: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    return {name: text for name, text in files.items() if name != "manifest.json"}


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
def test_five_kills_lose_a_piece_each_at_most_and_change_no_byte(tmp_path):
    study, count, moments = tiny(tmp_path), tmp_path / "count", random.Random(1)
    folder, seen = tmp_path / "killed", 0
    for _ in range(5):
        seen += moments.randrange(1, 8)
        assert killed_after(begun(study, "--output", str(folder), "--resume"), count, seen) == signal.SIGKILL
        assert not folder.exists()
        seen = count.stat().st_size
    assert run(study, ["--quick", "--output", str(folder), "--resume"]) == 0
    assert 40 <= count.stat().st_size <= 40 + 5
    count.unlink()
    assert run(study, ["--quick", "--output", str(tmp_path / "peace")]) == 0
    assert count.stat().st_size == 40
    assert content(folder) == content(tmp_path / "peace")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["count", "inputs", "killed", "peace", "tiny.py"]


@pytest.mark.parametrize("stop", [KeyboardInterrupt(), OSError(28, "No space left on device", "x.nc")])
def test_whoever_is_stopped_learns_how_to_go_on(tmp_path, capsys, monkeypatch, stop):
    study = tiny(tmp_path)

    def stopped(loaded, options):
        kept.kept(counted_piece, tmp_path / "count", 1)
        raise stop

    argv = ["--quick", "--output", str(tmp_path / "out")]
    status = run(replace(study, compute=stopped), argv)
    line = capsys.readouterr().err.splitlines()[-1]
    assert status == (130 if isinstance(stop, KeyboardInterrupt) else 2)
    assert line.endswith("finished pieces are kept (1): the same command with --resume goes on")
    assert (tmp_path / ".out.unfinished").exists()
    assert run(study, [*argv, "--resume"]) == 0
    assert "Taken up: 1 finished pieces" in capsys.readouterr().err
    assert (tmp_path / "count").stat().st_size == 40
    assert not (tmp_path / ".out.unfinished").exists()


def test_what_a_kill_left_beside_the_folder_is_put_right(tmp_path):
    study = tiny(tmp_path)
    argv = ["--quick", "--output", str(tmp_path / "out")]
    assert run(study, argv) == 0
    wanted = content(tmp_path / "out")
    (tmp_path / "out").rename(tmp_path / ".out.0123abcd.old")  # killed between the two moves
    for name in (".out.89abcdef.writing", ".other.89abcdef.writing", ".out.mine.writing"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "half").write_text("")

    def fails(loaded, options):
        raise InputError("no")

    assert run(replace(study, compute=fails), argv) == 2
    assert content(tmp_path / "out") == wanted
    left = sorted(p.name for p in tmp_path.iterdir() if p.name.startswith("."))
    assert left == [".other.89abcdef.writing", ".out.mine.writing"]


def test_a_second_run_into_a_folder_is_one_line_and_breaks_nothing(tmp_path, capsys):
    study, seen = tiny(tmp_path), []
    argv = ["--quick", "--output", str(tmp_path / "out")]

    def both(loaded, options):
        seen.append(run(study, argv))
        return study.compute(loaded, options)

    assert run(replace(study, compute=both), argv) == 0
    assert seen == [2]
    errors = [line for line in capsys.readouterr().err.splitlines() if line.startswith("error")]
    assert len(errors) == 1
    assert "another run is writing there" in errors[0]


def test_a_folder_that_is_taken_away_meanwhile_comes_back(tmp_path):
    study = tiny(tmp_path)

    def away(loaded, options):
        shutil.rmtree(tmp_path / "deep")
        return study.compute(loaded, options)

    assert run(replace(study, compute=away), ["--quick", "--output", str(tmp_path / "deep" / "out")]) == 0
    assert (tmp_path / "deep" / "out" / "manifest.json").exists()
