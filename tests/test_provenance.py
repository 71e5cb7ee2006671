"""The manifest: versions, commit, hashes, and what may differ between equal runs."""

import hashlib
import json
import platform
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from jetsim.report import provenance
from jetsim.report.provenance import Record

RECORD = Record("rank_controls", "../inputs/rank_controls.toml", "ab" * 32, 0, 180224, 0, False, "us", None,
                "2026-11-25T12:00:00+00:00", 12.3456, 2, {"throws.csv": "cd" * 32})  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "reach.csv").write_bytes(b"a,b\n1,2\n")
    (tmp_path / "report.html").write_bytes(b"<html>")
    return tmp_path


def test_manifest_holds_everything_to_repeat_the_study(folder):
    content = json.loads(provenance.write_manifest(RECORD, folder).read_text(encoding="utf-8"))
    assert content["study"] == "rank_controls"
    assert content["study_file"] == {"path": "../inputs/rank_controls.toml", "sha256": "ab" * 32}
    assert content["seed"] == 0
    assert content["counts"] == {"runs": 180224, "failures": 0}
    assert content["versions"]["python"] == platform.python_version()
    assert content["versions"]["numpy"] == np.__version__
    assert {"jetsim", "scipy", "SALib", "xarray", "matplotlib"} <= set(content["versions"])
    assert content["outputs"]["tables/reach.csv"] == hashlib.sha256(b"a,b\n1,2\n").hexdigest()
    assert list(content["outputs"]) == ["report.html", "tables/reach.csv"]


def test_equal_runs_differ_in_nothing_but_the_run(folder):
    first = provenance.manifest(RECORD, folder)
    second = provenance.manifest(replace(RECORD, started="later", wall_time=99.0, workers=1), folder)
    assert first.pop("run") != second.pop("run")
    assert first == second


def test_same_record_same_bytes(folder):
    once = provenance.write_manifest(RECORD, folder).read_bytes()
    assert provenance.write_manifest(RECORD, folder).read_bytes() == once


def test_only_own_manifests_are_read(folder):
    assert provenance.read_manifest(folder) is None
    for text in ("", "not json", "[]", '{"format": "another"}', "\xff"):
        (folder / "manifest.json").write_bytes(text.encode("latin-1"))
        assert provenance.read_manifest(folder) is None
    provenance.write_manifest(RECORD, folder)
    assert provenance.read_manifest(folder)["study"] == "rank_controls"


def test_added_and_changed_files_are_noticed(folder):
    content = provenance.manifest(RECORD, folder)
    assert provenance.strangers(folder, content) == []
    (folder / "notes.txt").write_text("mine")
    (folder / "report.html").write_text("edited")
    assert provenance.strangers(folder, content) == ["notes.txt", "report.html"]


def git(checkout, *arguments):
    identity = ("-c", "user.name=Test", "-c", "user.email=test@example.org")
    command = ("git", *identity, "-C", str(checkout), *arguments)
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


@pytest.fixture
def checkout(tmp_path):
    """A checkout that holds the same package as the one that runs, and a script."""
    package = Path(provenance.__file__).parents[1]
    shutil.copytree(package, tmp_path / "jetsim", ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "studies").mkdir()
    (tmp_path / "studies" / "script.py").write_text("")
    git(tmp_path, "init", "-q")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-q", "-m", "first")
    return tmp_path


def test_commit_of_the_scripts_checkout(checkout, monkeypatch, tmp_path_factory):
    """As after ``pip install .``: the package that runs lies outside of any checkout."""
    elsewhere = tmp_path_factory.mktemp("site") / "jetsim"
    shutil.copytree(checkout / "jetsim", elsewhere)
    monkeypatch.setattr(provenance, "_PACKAGE", elsewhere)
    script = checkout / "studies" / "script.py"
    commit = git(checkout, "rev-parse", "HEAD")
    assert provenance.source_commit(script) == commit
    script.write_text("changed")
    assert provenance.source_commit(script) == f"{commit}+changes"
    (elsewhere / "errors.py").write_text("# another version")
    assert provenance.source_commit(script) is None


def test_changes_since_the_commit_show(checkout, monkeypatch):
    monkeypatch.setattr(provenance, "_PACKAGE", checkout / "jetsim")
    commit = git(checkout, "rev-parse", "HEAD")
    assert provenance.source_commit() == commit
    with (checkout / "jetsim" / "errors.py").open("a") as file:
        file.write("# a change\n")
    assert provenance.source_commit() == f"{commit}+changes"


def test_no_git_no_commit(monkeypatch, tmp_path):
    monkeypatch.setattr(provenance, "_PACKAGE", tmp_path / "jetsim")
    assert provenance.source_commit() is None
    monkeypatch.setenv("PATH", "")
    assert provenance.source_commit() is None


def test_version_is_known_without_installation(monkeypatch):
    monkeypatch.setattr(provenance, "installed_version", lambda name: "not installed")
    assert provenance.jetsim_version()[0].isdigit()
