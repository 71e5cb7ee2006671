"""Where results come from: versions, commit, study file, seed, counts, times and hashes of what was written."""

import hashlib
import json
import platform
import re
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

MANIFEST = "manifest.json"
FORMAT = "jetsim study folder 1"
LIBRARIES = ("numpy", "scipy", "xarray", "SALib", "matplotlib", "h5netcdf", "Jinja2", "python-docx")
_PACKAGE = Path(__file__).resolve().parents[1]


def sha256(path: Path) -> str:
    """SHA-256 of a file in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@cache
def installed_version(name: str) -> str:
    """Version of an installed distribution, or ``"not installed"``."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def jetsim_version() -> str:
    """Version of jetsim: of the installed package, or of the checkout it runs from."""
    found = installed_version("jetsim")
    project = _PACKAGE.parent / "pyproject.toml"
    if found == "not installed" and project.is_file():
        match = re.search(r'^version = "(.+)"$', project.read_text(encoding="utf-8"), re.MULTILINE)
        return match[1] if match else found
    return found


def versions() -> dict[str, str]:
    """Versions of Python, jetsim and the libraries the numbers rest on."""
    own = {"python": platform.python_version(), "jetsim": jetsim_version()}
    return own | {name: installed_version(name) for name in LIBRARIES}


def _git(checkout: Path, *arguments: str) -> str | None:
    command = ("git", "-C", str(checkout), *arguments)
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=10, check=False)
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout.strip() if done.returncode == 0 else None


def package_digest(package: Path) -> str:
    """One hash over the Python files of a package folder."""
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def source_commit(script: Path | None = None) -> str | None:
    """Git commit of the source that runs, with ``+changes`` where files differ from it.

    Parameters
    ----------
    script : Path, optional
        The study script. Its checkout counts when the package that runs is a copy of the same source, as
        after ``pip install .``.

    Returns
    -------
    str or None
        None without git, outside a checkout, or when the copy differs from the checkout.
    """
    places = [_PACKAGE.parent] + ([script.resolve().parent] if script else [])
    for place in places:
        top = _git(place, "rev-parse", "--show-toplevel")
        package = Path(top or place) / "jetsim"
        if top is None or not package.is_dir():
            continue
        if package.resolve() == _PACKAGE or package_digest(package) == package_digest(_PACKAGE):
            commit = _git(package, "rev-parse", "HEAD")
            changed = _git(package, "status", "--porcelain", "--untracked-files=no")
            return f"{commit}+changes" if commit and changed else commit
    return None


def timestamp() -> str:
    """Now, in UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


@dataclass(frozen=True)
class Record:
    """What a study knows about its own run.

    Attributes
    ----------
    study : str
        Name of the study.
    study_file, study_file_sha256 : str
        The study file, relative to the results folder, and its hash.
    seed, runs, failures : int
    quick : bool
    units : str
        Edition, ``"us"`` or ``"si"``.
    commit : str or None
    started : str
        UTC.
    wall_time : float
        [s]
    workers : int
    data_files : mapping of str to str
        Further files that were read: name to hash.
    """

    study: str
    study_file: str
    study_file_sha256: str
    seed: int
    runs: int
    failures: int
    quick: bool
    units: str
    commit: str | None
    started: str
    wall_time: float
    workers: int
    data_files: Mapping[str, str] = field(default_factory=dict)


def output_hashes(folder: Path) -> dict[str, str]:
    """Hash of every file below a folder but the manifest, by its path with forward slashes."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    names = {path.relative_to(folder).as_posix(): path for path in files}
    return {name: sha256(path) for name, path in names.items() if name != MANIFEST}


def manifest(record: Record, folder: Path) -> dict[str, Any]:
    """The manifest of a results folder; only the members of ``run`` differ between equal runs."""
    return {
        "format": FORMAT,
        "study": record.study,
        "study_file": {"path": record.study_file, "sha256": record.study_file_sha256},
        "data_files": dict(sorted(record.data_files.items())),
        "seed": record.seed,
        "quick": record.quick,
        "units": record.units,
        "counts": {"runs": record.runs, "failures": record.failures},
        "versions": versions(),
        "commit": record.commit,
        "run": {
            "started": record.started,
            "wall_time_seconds": round(record.wall_time, 3),
            "workers": record.workers,
        },
        "outputs": output_hashes(folder),
    }


def write_manifest(record: Record, folder: Path) -> Path:
    """Write ``manifest.json`` into a results folder whose other files are complete."""
    path = folder / MANIFEST
    text = json.dumps(manifest(record, folder), indent=2, ensure_ascii=False)
    path.write_bytes(f"{text}\n".encode())
    return path


def read_manifest(folder: Path) -> dict[str, Any] | None:
    """The manifest of a results folder; None where there is none, or it is not one of jetsim's."""
    try:
        content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) and content.get("format") == FORMAT else None


def strangers(folder: Path, content: Mapping[str, Any]) -> list[str]:
    """Files of a results folder that are not as its manifest lists them: added or changed since."""
    listed = content.get("outputs", {})
    found = output_hashes(folder)
    return [name for name, digest in found.items() if listed.get(name) != digest]
