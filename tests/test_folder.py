"""The results folder: whole or not at all, and never at the cost of someone's files."""

import os
import shutil
from pathlib import Path

import pytest

from jetsim.errors import InputError
from jetsim.report.folder import StudyFolder, check_room
from jetsim.report.provenance import Record, sha256, write_manifest


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A working directory with a study file."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "inputs").mkdir()
    (tmp_path / "inputs" / "demo.toml").write_text("title = 'demo'")
    return tmp_path


def folder(place, path="results/demo", **changes):
    given = {"path": Path(path), "study": "demo", "study_file": place / "inputs" / "demo.toml"}
    return StudyFolder(**given | changes)


def write(target, text="one"):
    """Write a small whole study folder."""
    target.check()
    with target.writing() as aside:
        (aside / "report.html").write_text(text)
        digest = sha256(target.study_file)
        record = Record(target.study, target.relative_study_file(), digest, 0, 1, 0, False, "us", None, "now", 1.0, 1)
        write_manifest(record, aside)


def everything(place):
    return sorted(path.relative_to(place).as_posix() for path in place.rglob("*"))


def test_a_new_folder_with_its_parents(place):
    write(folder(place))
    assert everything(place / "results") == ["demo", "demo/manifest.json", "demo/report.html"]


def test_the_same_study_replaces_its_own(place):
    write(folder(place))
    (place / "inputs" / "demo.toml").write_text("title = 'changed numbers'")
    write(folder(place), "two")
    assert (place / "results/demo/report.html").read_text() == "two"
    assert everything(place / "results") == ["demo", "demo/manifest.json", "demo/report.html"]


def test_the_whole_tree_may_move(place, tmp_path_factory):
    write(folder(place))
    moved = tmp_path_factory.mktemp("moved") / "tree"
    shutil.copytree(place, moved)
    write(folder(moved, moved / "results/demo"), "two")
    assert (moved / "results/demo/report.html").read_text() == "two"


@pytest.mark.parametrize("name", ["empty", "new"])
def test_an_empty_folder_is_free(place, name):
    (place / "empty").mkdir()
    write(folder(place, name))
    assert (place / name / "report.html").exists()


def test_litter_of_file_browsers_does_not_count(place):
    (place / "out").mkdir()
    (place / "out" / ".DS_Store").write_text("")
    write(folder(place, "out"))
    (place / "out" / ".DS_Store").write_text("")
    write(folder(place, "out"), "two")
    assert (place / "out/report.html").read_text() == "two"


def refused(target, match):
    with pytest.raises(InputError, match=match) as error:
        target.check()
    assert str(target.path) in str(error.value)
    assert "\n" not in str(error.value)


def test_another_study_is_refused(place):
    write(folder(place))
    before = everything(place)
    refused(folder(place, study="other"), "holds the results of another study \\(demo\\)")
    assert everything(place) == before
    write(folder(place, study="other", overwrite=True), "other")
    assert (place / "results/demo/report.html").read_text() == "other"


def test_another_study_file_is_refused(place):
    write(folder(place))
    mine = place / "inputs" / "mine.toml"
    mine.write_text("title = 'mine'")
    refused(folder(place, study_file=mine), "another study file")
    write(folder(place, study_file=mine, overwrite=True))


def test_a_copy_of_the_study_file_is_the_same(place):
    write(folder(place))
    copy = place / "copy.toml"
    copy.write_bytes((place / "inputs" / "demo.toml").read_bytes())
    write(folder(place, study_file=copy), "two")


@pytest.mark.parametrize("name", ["notes.txt", "report.html"])
def test_ones_own_files_inside_are_not_lost(place, name):
    write(folder(place))
    (place / "results/demo" / name).write_text("my notes")
    refused(folder(place), f"added or changed since the study wrote it \\({name}\\)")
    assert (place / "results/demo" / name).read_text() == "my notes"


def test_a_folder_without_results_is_refused_and_kept_even_when_overwritten(place):
    (place / "papers").mkdir()
    (place / "papers" / "thesis.txt").write_text("years of work")
    refused(folder(place, "papers"), "not empty and holds no study's results")
    write(folder(place, "papers", overwrite=True))
    assert (place / "papers/report.html").exists()
    assert (place / "papers.before-1/thesis.txt").read_text() == "years of work"


@pytest.mark.parametrize("changes", [{}, {"study": "other"}])
def test_overwriting_keeps_what_no_study_wrote(place, changes):
    write(folder(place))
    (place / "results/demo/sheet.csv").write_text("an afternoon of throws")
    (place / "results/demo/report.html").write_text("my remarks")
    refused(folder(place, study="demo"), "--overwrite, which keeps what is there as demo.before-1")
    write(folder(place, overwrite=True, **changes), "two")
    assert (place / "results/demo/report.html").read_text() == "two"
    assert (place / "results/demo.before-1/sheet.csv").read_text() == "an afternoon of throws"
    assert (place / "results/demo.before-1/report.html").read_text() == "my remarks"


@pytest.mark.parametrize(
    ("path", "match"),
    [(".", "current directory"), ("..", "current directory"), ("/", "current directory"), ("inputs", "study file"),
     ("file.txt", "is a file"), ("link", "is a link"), ("home", "home directory"),
     ("scripts", "files the study needs")],
)  # fmt: skip
def test_dangerous_places_are_refused_even_with_overwrite(place, monkeypatch, path, match):
    (place / "file.txt").write_text("text")
    (place / "link").symlink_to(place / "inputs")
    (place / "home").mkdir()
    (place / "scripts").mkdir()
    monkeypatch.setenv("HOME", str(place / "home"))
    script = place / "scripts" / "demo.py"
    script.write_text("")
    refused(folder(place, path, overwrite=True, protected=(script,)), match)


def test_a_link_to_nowhere_is_refused(place):
    (place / "link").symlink_to(place / "gone")
    refused(folder(place, "link", overwrite=True), "is a link")


@pytest.mark.parametrize("path", ["file.txt/results", "/proc/jetsim/results"])
def test_unwritable_places_are_refused_before_computing(place, path):
    (place / "file.txt").write_text("text")
    refused(folder(place, path), "cannot be written")
    assert everything(place) == ["file.txt", "inputs", "inputs/demo.toml"]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_permission_is_refused(place):
    (place / "locked").mkdir(mode=0o500)
    refused(folder(place, "locked/results"), "cannot be written")


def test_checking_writes_nothing(place):
    before = everything(place)
    folder(place).check()
    assert everything(place) == before


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
@pytest.mark.parametrize("exists", [False, True])
def test_nothing_half_written_stays(place, error, exists):
    if exists:
        write(folder(place))
    before = everything(place)

    def interrupted():
        with folder(place).writing() as aside:
            (aside / "report.html").write_text("half")
            assert aside.parent == (place / "results").relative_to(place)
            raise error

    with pytest.raises(error):
        interrupted()
    assert everything(place) == before
    if exists:
        assert (place / "results/demo/report.html").read_text() == "one"


def test_results_that_another_study_wrote_meanwhile_stay(place):
    slow = folder(place, study="slow")
    slow.check()

    def meanwhile():
        with slow.writing():
            write(folder(place))

    with pytest.raises(InputError, match="another study \\(demo\\)"):
        meanwhile()
    assert (place / "results/demo/report.html").read_text() == "one"


def test_old_results_come_back_when_the_swap_fails(place, monkeypatch):
    write(folder(place))
    before = everything(place)
    rename = Path.rename

    def failing(self, target):
        if self.name.endswith(".writing"):
            raise OSError(28, "No space left on device")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(OSError, match="No space left"):
        write(folder(place), "two")
    assert everything(place) == before
    assert (place / "results/demo/report.html").read_text() == "one"


def test_the_new_folder_is_readable_like_any_other(place):
    write(folder(place))
    (place / "plain").mkdir()
    assert (place / "results/demo").stat().st_mode == (place / "plain").stat().st_mode


def test_room_is_checked_without_a_trace(place, monkeypatch):
    written = []
    check_room(place / "x.nc", 3_000_000)
    assert not (place / "x.nc").exists()

    class Full:
        def __enter__(self):
            return self

        def __exit__(self, *_):
            return None

        def write(self, block):
            written.append(len(block))
            if sum(written) > 2_000_000:
                raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "open", lambda self, mode: Full())
    with pytest.raises(OSError, match="No space left"):
        check_room(place / "x.nc", 3_000_000)
    assert written == [1 << 20, 1 << 20]
