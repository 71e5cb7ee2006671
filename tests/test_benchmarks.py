"""The benchmark scripts run from the command line and print their tables."""

import csv
import re
import subprocess
import sys
from contextlib import nullcontext
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

from benchmarks import (
    command,
    command_speed,
    drop_spread,
    flight_laws,
    fuzz,
    mutants,
    practice,
    published_data,
    study_speed,
)
from benchmarks.mutants import MUTANTS, Mutant, changed, is_noticed, survivors
from jetsim.errors import InputError
from tests.reports import without_pictures

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Run a benchmark in an empty folder, as its script does but in this process."""
    monkeypatch.chdir(tmp_path)

    def started(module: ModuleType, *options: str) -> SimpleNamespace:
        monkeypatch.setattr(sys, "argv", [module.__file__, *options])
        try:
            status = command.run(module.main)
        except SystemExit as left:
            status = left.code
        said = capsys.readouterr()
        return SimpleNamespace(returncode=status, stdout=said.out, stderr=said.err)

    return started


@pytest.mark.slow
def test_a_script_starts_in_any_folder_and_refuses_in_words(tmp_path):
    (tmp_path / "taken").write_text("someone's", encoding="utf-8")
    script = [sys.executable, "-W", "error", str(ROOT / "benchmarks" / "published_data.py"), "--output", "taken"]
    done = subprocess.run(script, cwd=tmp_path, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 2
    assert re.fullmatch("error: --output = taken: .*\n", done.stderr)
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "someone's"


def test_every_script_finds_the_package_and_ends_by_its_status():
    """The others begin and end as the one that was started."""
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "benchmarks").glob("*.py")]
    scripts = [text for text in texts if "\ndef main(" in text]
    assert len(scripts) > 8
    for text in scripts:
        path = text.index("\nsys.path.insert(0, str(Path(__file__).resolve().parents[1]))\n")
        assert path < text.index("\nfrom benchmarks")
        assert text.endswith('\n\nif __name__ == "__main__":\n    sys.exit(run(main))\n')


@pytest.mark.slow
def test_flight_laws(run, tmp_path):
    done = run(flight_laws, "--quick")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    rows = [line for line in done.stdout.splitlines() if re.match(r"air_stream +3 \|", line)]
    assert len(rows) == 1
    assert float(rows[0].split("|")[1].split()[0]) <= 3.5
    assert "binomial limits" in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("drawn", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_published_data_prints_and_draws(run, tmp_path, monkeypatch, drawn):
    if not drawn:  # the throws that practice tells of have tests of their own
        monkeypatch.setattr(
            published_data, "facts", lambda: [practice.Fact("reach", 20.0, 15.0, 20.0, 25.0, True)] * 17
        )
    with nullcontext() if drawn else without_pictures():
        done = run(published_data, "--output", "figure", "--units", "si")
    assert done.returncode == 0, done.stderr
    assert re.search(r"vertical height, Freeman +30 .*held out", done.stdout)
    told = done.stdout.partition("Practice without a source")[2]
    assert "validate nothing" in told.splitlines()[0]
    assert len(re.findall(r"  within$", told, re.MULTILINE)) == 17
    assert {path.suffix for path in (tmp_path / "figure").iterdir()} == {".png", ".svg", ".pdf", ".csv"}
    with (tmp_path / "figure" / "published_data.csv").open(encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    assert {row["status"].split()[0] for row in table} >= {"fitted", "held"}
    assert any(header == "range predicted [m]" for header in table[0])


@pytest.mark.slow
def test_study_speed(run, tmp_path):
    done = run(study_speed, "--quick")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    found = [re.fullmatch(r"(\S.*?) {2,}([\d.]+)( .*)?", line) for line in lines[2:-2]]
    seconds = {match[1]: float(match[2]) for match in found}
    everything, without = seconds.pop("import to written report"), seconds.pop("without figures")
    assert len(seconds) == 12
    assert everything == pytest.approx(sum(seconds.values()), abs=0.01 * len(seconds))
    figures = sum(time for name, time in seconds.items() if "figures" in name or "plotting" in name)
    assert everything - without == pytest.approx(figures, abs=0.03)
    reach = re.search(r"flights .* (\S+) of the reach, 4 flights against", done.stdout)
    assert float(reach[1]) < 1e-6
    assert lines[-1].startswith("10 inputs x 6 outputs x 2,816 runs")
    assert list(tmp_path.iterdir()) == []


def test_the_sums_of_study_speed_leave_out_what_only_figures_need():
    stages = study_speed.Stages(lambda stage: None)
    for name, seconds in ((study_speed.FLIGHTS, 4.0), (study_speed.INDICES, 1.0), ("words", 0.5)):
        stages.add(study_speed.Stage(name, seconds))
    stages.add(study_speed.Stage("figures drawn", 2.25, is_figure=True))
    everything, without, estimating = (line.split() for line in study_speed.totals(stages))
    assert everything[:5] == ["import", "to", "written", "report", "7.75"]
    assert without[:3] == ["without", "figures", "5.50"]
    assert estimating == ["estimating", "over", "flying:", "0.25"]


def test_study_speed_refuses_in_words(run):
    done = run(study_speed, "--workers", "0")
    assert done.returncode == 2
    assert done.stderr == "error: --workers = 0: must be a whole number from 1 to 256\n"


def test_commands_are_timed_beside_those_of_another_tree(monkeypatch):
    shown, seconds = [], {ROOT: 3.0, None: np.nan}
    monkeypatch.setattr(command_speed, "_run", lambda tree, words, folder: (seconds.get(tree, 2.0), f"{words},1.0"))
    full, quick = command_speed.table(["setup_cards"], "", shown.append)
    assert (full.command, quick.command) == ("setup_cards", "setup_cards --quick")
    assert (full.wanted, quick.wanted) == (6.0, 4.0)
    assert np.isnan(full.before)
    assert shown == [command_speed.HEADING, full, quick]
    assert str(full).split() == ["setup_cards", "3.00", "6", "0.0e+00"]
    if (ROOT / ".git").exists():
        (beside,) = command_speed.table(["setup_cards"], "HEAD", shown.append, quick=True)
        assert str(beside).split() == ["setup_cards", "--quick", "3.00", "2.00", "1.50", "4", "0.0e+00"]


def test_another_tree_is_unpacked_or_refused_in_words(tmp_path):
    if not (ROOT / ".git").exists():
        pytest.skip("not a clone")
    with command_speed.earlier("HEAD", tmp_path / "tree") as tree:
        assert (tree / "studies" / "setup_cards.py").is_file()
    with pytest.raises(InputError, match="--against = 'nowhere': fatal: not a valid object name"):
        command_speed.table(["setup_cards"], "nowhere", str)


def test_the_change_between_two_tables_is_that_of_their_numbers():
    first = 'setup,value\n"A: tip",2.0\n"B: tip",100\n'
    assert command_speed.change(first, first) == 0
    assert command_speed.change(first.replace("2.0", "2.2"), first) == pytest.approx(0.1)
    assert command_speed.change(first.replace("A: tip", "C: tip"), first) == np.inf
    assert np.isnan(command_speed.change(first, ""))
    assert np.isnan(command_speed.change(first, first + "C,1\n"))


def test_an_unknown_option_is_refused_in_words(run, tmp_path):
    done = run(published_data, "--units", "metric")
    assert done.returncode == 2
    assert "argument --units: invalid choice: 'metric'" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_drop_spread(run, tmp_path):
    done = run(drop_spread)
    assert done.returncode == 0, done.stderr
    assert "ships" in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: f"{mutant.file}: {mutant.old[:40]}")
def test_each_listed_change_can_be_made(mutant):
    assert changed((ROOT / mutant.file).read_text(encoding="utf-8"), mutant) != ""
    assert all((ROOT / "tests" / f"{name}.py").exists() for name in mutant.tests.split())


@pytest.fixture
def tree(tmp_path):
    """A project of one function and its test."""
    (tmp_path / "jetsim").mkdir()
    (tmp_path / "tests").mkdir()
    (tmp_path / "pyproject.toml").write_text("[tool.pytest.ini_options]\npythonpath = ['.']\n", encoding="utf-8")
    # A folder that is no package would stand behind an installed jetsim.
    (tmp_path / "jetsim" / "__init__.py").write_text("", encoding="utf-8")
    (tmp_path / "jetsim" / "sums.py").write_text("def double(x):\n    return 2 * x + 0\n", encoding="utf-8")
    test = "from jetsim.sums import double\n\ndef test_double():\n    assert double(3) == 6\n"
    (tmp_path / "tests" / "test_sums.py").write_text(test, encoding="utf-8")
    return tmp_path


@pytest.mark.slow
def test_a_change_is_noticed_by_the_tests_of_its_tree(tree):
    assert not is_noticed(tree, ["test_sums"])
    (tree / "jetsim" / "sums.py").write_text("def double(x):\n    return 3 * x + 0\n", encoding="utf-8")
    assert is_noticed(tree, ["test_sums"])


def test_mutants_are_killed_or_survive(tree, monkeypatch, capsys):
    def tripled(copy: Path, tests: list[str]) -> bool:
        assert copy != tree
        assert (copy / "tests" / f"{tests[0]}.py").exists()
        return "3 * x" in (copy / "jetsim" / "sums.py").read_text(encoding="utf-8")

    monkeypatch.setattr(mutants, "is_noticed", tripled)  # tried by itself above
    killed = Mutant("jetsim/sums.py", "2 * x", "3 * x", "test_sums")
    passes = Mutant("jetsim/sums.py", "x + 0", "x - 0", "test_sums")
    assert survivors(tree, [killed, passes, passes._replace(equivalent="nothing is added")]) == [passes]
    printed = capsys.readouterr().out
    assert [line.split()[0] for line in printed.splitlines()] == ["killed", "SURVIVED", "equivalent", "3"]
    with pytest.raises(InputError, match="'x' stands there 2 times, not once"):
        survivors(tree, [killed._replace(old="x")])


@pytest.mark.slow
def test_fuzz(run):
    done = run(fuzz, "--examples", "10")
    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    assert [line.partition(":")[0] for line in lines] == ["department", "question", "sheet"]
    for line in lines:
        refused, used, *faults = (int(words.split()[-1].replace(",", "")) for words in line.split(", "))
        assert refused + used == 10
        assert faults == [0] * 5
