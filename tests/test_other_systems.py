"""Systems without what only POSIX has: nothing in the package or the scripts may count on it."""

import ast
import os
import re
import signal
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from jetsim import kept
from jetsim.simulation import LEAST_CHUNK, simulate
from jetsim.stream import Stream
from jetsim.study import run
from studies.reach_a_target import STUDY
from tests.reports import without_pictures
from tests.test_study import Demo

ROOT = Path(__file__).resolve().parents[1]
SCRIPTS = sorted(path for part in ("jetsim", "studies", "benchmarks") for path in (ROOT / part).rglob("*.py"))
# Names of the standard library that Windows lacks ("Availability: Unix" or "not Windows" in its documentation).
MISSING = {
    "os": {
        "chown", "fork", "getegid", "geteuid", "getgid", "getloadavg", "getpgid", "getpriority", "getuid", "killpg",
        "mkfifo", "nice", "openpty", "sched_getaffinity", "sched_setaffinity", "sched_yield", "setpgid", "setsid",
        "setuid", "statvfs", "sysconf", "uname", "wait",
    },
    "signal": {
        "SIGALRM", "SIGCHLD", "SIGCONT", "SIGHUP", "SIGKILL", "SIGPIPE", "SIGQUIT", "SIGSTOP", "SIGTSTP", "SIGUSR1",
        "SIGUSR2", "alarm", "pause", "pthread_kill", "pthread_sigmask", "setitimer", "sigwait",
    },
    "time": {"tzset", "clock_settime"},
}  # fmt: skip
MODULES = {"fcntl", "grp", "posix", "pty", "pwd", "resource", "syslog", "termios", "tty"}
# Sources without any of these words need no closer look.
TELLTALE = re.compile(rf"\b(?:{'|'.join(sorted({*MODULES}.union(*MISSING.values())))})\b")


def guarded(function: ast.AST) -> set[str]:
    """Names that a function asks for by `hasattr` before it uses them."""
    calls = (node for node in ast.walk(function) if isinstance(node, ast.Call))
    return {ast.literal_eval(c.args[1]) for c in calls if isinstance(c.func, ast.Name) and c.func.id == "hasattr"}


def unguarded(source: str) -> list[str]:
    """Names that a source uses without asking and imports of modules that only POSIX has."""
    if not TELLTALE.search(source):
        return []
    tree = ast.parse(source)
    asked: dict[int, set[str]] = {}
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef) and (names := guarded(function)):
            asked |= {id(node): names for node in ast.walk(function)}
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if node.attr in MISSING.get(node.value.id, ()) and node.attr not in asked.get(id(node), ()):
                found.append(f"{node.value.id}.{node.attr}")
        elif isinstance(node, ast.Import):
            found += [alias.name for alias in node.names if alias.name in MODULES]
        elif isinstance(node, ast.ImportFrom):
            owner = MISSING.get(str(node.module), ())
            found += [alias.name for alias in node.names if alias.name in owner or node.module in MODULES]
    return found


def test_no_unguarded_use_of_what_only_posix_has():
    found = {path: unguarded(path.read_text(encoding="utf-8")) for path in SCRIPTS}
    assert {path: names for path, names in found.items() if names} == {}


def test_unguarded_uses_are_seen():
    assert unguarded("import os\ndef f():\n    return os.sched_getaffinity(0)") == ["os.sched_getaffinity"]
    assert unguarded("import os\nx = os.getuid()") == ["os.getuid"]
    assert unguarded("import resource") == ["resource"]
    assert unguarded("from os import killpg") == ["killpg"]
    assert unguarded("import os\ndef f():\n    return os.fork() if hasattr(os, 'fork') else 0") == []


BINARY = {"os", "tarfile"}  # modules whose open is of bytes


def without_encoding(source: str) -> list[str]:
    """Texts that a source reads or writes in whatever encoding the system prefers."""
    if not re.search(r"\b(?:open|read_text|write_text)\b", source):
        return []
    found = []
    for call in (node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Call)):
        name = f".{call.func.attr}" if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
        owner = getattr(getattr(call.func, "value", None), "id", "")
        words = [a.value for a in call.args if isinstance(a, ast.Constant)]
        mode = next((w for w in words if isinstance(w, str) and len(w) <= 3), "r")
        texts = name in (".read_text", ".write_text") or (name in ("open", ".open") and "b" not in mode)
        if texts and "encoding" not in [keyword.arg for keyword in call.keywords] and owner not in BINARY:
            found.append(ast.unparse(call))
    return found


def test_texts_are_read_and_written_in_a_stated_encoding():
    found = {path.name: without_encoding(path.read_text(encoding="utf-8")) for path in SCRIPTS}
    assert {name: calls for name, calls in found.items() if calls} == {}


def test_texts_without_an_encoding_are_seen():
    assert without_encoding("p.read_text()\np.open()\nopen(p, 'w')") == ["p.read_text()", "p.open()", "open(p, 'w')"]
    assert without_encoding("p.write_text(a, encoding='utf-8')\np.open('rb')\nopen(p, 'wb')") == []


FDS = Path("/proc/self/fd")


@pytest.fixture
def strict(monkeypatch):
    """Files that are open can be neither moved nor removed, nor can a folder that holds one."""
    moves = {name: getattr(Path, name) for name in ("rename", "replace", "unlink", "rmdir")}
    refused: list[Path] = []

    def unless_open(name, path, *given, **named):
        held = [os.readlink(fd) for fd in FDS.iterdir() if fd.exists() or fd.is_symlink()]
        if any(Path(one).is_relative_to(path.absolute()) for one in held):
            refused.append(path)
            raise PermissionError(13, "The process cannot access the file", str(path))
        return moves[name](path, *given, **named)

    for name in moves:
        monkeypatch.setattr(Path, name, lambda *given, _name=name, **named: unless_open(_name, *given, **named))
    return refused


@pytest.mark.skipif(not FDS.exists(), reason="needs to see which files are open")
def test_folders_are_replaced_while_no_file_in_them_is_open(strict, tmp_path, capsys):
    demo = Demo(tmp_path)
    study = replace(demo.study, compute=lambda *given: kept.kept(np.arange, 3) is not None and demo.compute(*given))
    for argv in ([], ["--resume"], []):
        assert run(study, [*argv, "--quick", "--output", str(tmp_path / "out")]) == 0, capsys.readouterr().err
    assert strict == [tmp_path / ".out.unfinished"] * 3  # the first try of each; the second is after it was closed
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo.py", "inputs", "out"]


@pytest.fixture
def bare(tmp_path, monkeypatch):
    """Without these names (the folder is made before, for pytest itself uses them)."""
    for module in (os, signal):
        for name in MISSING[module.__name__] - {"sysconf"}:  # which libraries built for this system ask for
            monkeypatch.delattr(module, name, raising=False)
    return tmp_path


def test_streams_are_simulated_on_all_processors(bare):
    stream = {"tip_diameter": 0.0254, "nozzle_pressure": 345e3, "breakup_model": "atomization"}
    many = simulate(Stream(**stream, elevation=np.full(LEAST_CHUNK + 1, 30.0)))
    assert float(many.extreme_reach[-1]) == pytest.approx(float(simulate(Stream(**stream)).extreme_reach), rel=1e-12)


@pytest.mark.slow
@without_pictures()
def test_a_study_writes_its_report(bare):
    text = STUDY.default_inputs.read_text(encoding="utf-8")
    department = (STUDY.default_inputs.parent / "department.toml").read_text(encoding="utf-8")
    for old, new in (
        ("base_samples = 64", "base_samples = 4"),
        ("[1, 2, 3, 4, 5]", "[3]"),
        ('["-10 psi", "0 psi", "10 psi"]', '["0 psi"]'),
        ('["h", "i"]', '["h"]'),
    ):
        assert old in text
        text = text.replace(old, new)
    (bare / "department.toml").write_text(department, encoding="utf-8")
    (bare / "own.toml").write_text(text, encoding="utf-8")
    # Alone, for what starts processes here is the standard library's part for this system.
    argv = ["--quick", "--workers", "1", "--inputs", str(bare / "own.toml"), "--output", str(bare / "out")]
    assert run(STUDY, argv) == 0
    assert (bare / "out" / "report.html").exists()
