"""The benchmark scripts run from the command line and print their tables."""

import csv
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from benchmarks import command_speed
from benchmarks.mutants import MUTANTS, Mutant, changed, survivors
from jetsim.errors import InputError

ROOT = Path(__file__).resolve().parents[1]


def run(script, *options, folder):
    command = [sys.executable, "-W", "error", str(ROOT / "benchmarks" / script), *options]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300, check=False)


def test_flight_laws(tmp_path):
    done = run("flight_laws.py", "--quick", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    rows = [line for line in done.stdout.splitlines() if re.match(r"air_stream +3 \|", line)]
    assert len(rows) == 1
    assert float(rows[0].split("|")[1].split()[0]) <= 3.5
    assert "binomial limits" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_published_data_prints_and_draws(tmp_path):
    done = run("published_data.py", "--output", "figure", "--units", "si", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert re.search(r"vertical height, Freeman +30 .*held out", done.stdout)
    practice = done.stdout.partition("Practice without a source")[2]
    assert "validate nothing" in practice.splitlines()[0]
    assert len(re.findall(r"  within$", practice, re.MULTILINE)) == 17
    assert {path.suffix for path in (tmp_path / "figure").iterdir()} == {".png", ".svg", ".pdf", ".csv"}
    with (tmp_path / "figure" / "published_data.csv").open(encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    assert {row["status"].split()[0] for row in table} >= {"fitted", "held"}
    assert any(header == "range predicted [m]" for header in table[0])


def test_study_speed(tmp_path):
    done = run("study_speed.py", "--quick", folder=tmp_path)
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
    assert lines[-1].startswith("10 inputs x 6 outputs x 3,520 runs")
    assert list(tmp_path.iterdir()) == []


def test_study_speed_refuses_in_words(tmp_path):
    done = run("study_speed.py", "--workers", "0", folder=tmp_path)
    assert done.returncode == 2
    assert done.stderr == "error: --workers = 0: must be a whole number from 1 to 256 threads\n"


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


@pytest.mark.parametrize("options", [("--output", "taken"), ("--units", "metric")])
def test_published_data_refuses_in_words(tmp_path, options):
    (tmp_path / "taken").write_text("someone's", encoding="utf-8")
    done = run("published_data.py", *options, folder=tmp_path)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert options[1] in done.stderr
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "someone's"


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: f"{mutant.file}: {mutant.old[:40]}")
def test_each_listed_change_can_be_made(mutant):
    assert changed((ROOT / mutant.file).read_text(encoding="utf-8"), mutant) != ""
    assert all((ROOT / "tests" / f"{name}.py").exists() for name in mutant.tests.split())


def test_mutants_are_killed_or_survive(tmp_path, capsys):
    (tmp_path / "jetsim").mkdir()
    (tmp_path / "tests").mkdir()
    (tmp_path / "pyproject.toml").write_text("[tool.pytest.ini_options]\npythonpath = ['.']\n", encoding="utf-8")
    # A folder that is no package would stand behind an installed jetsim.
    (tmp_path / "jetsim" / "__init__.py").write_text("", encoding="utf-8")
    (tmp_path / "jetsim" / "sums.py").write_text("def double(x):\n    return 2 * x + 0\n", encoding="utf-8")
    test = "from jetsim.sums import double\n\ndef test_double():\n    assert double(3) == 6\n"
    (tmp_path / "tests" / "test_sums.py").write_text(test, encoding="utf-8")
    killed = Mutant("jetsim/sums.py", "2 * x", "3 * x", "test_sums")
    passes = Mutant("jetsim/sums.py", "x + 0", "x - 0", "test_sums")
    assert survivors(tmp_path, [killed, passes, passes._replace(equivalent="nothing is added")]) == [passes]
    printed = capsys.readouterr().out
    assert [line.split()[0] for line in printed.splitlines()] == ["killed", "SURVIVED", "equivalent", "3"]
    with pytest.raises(InputError, match="'x' stands there 2 times, not once"):
        survivors(tmp_path, [killed._replace(old="x")])


def test_fuzz(tmp_path):
    done = run("fuzz.py", "--quick", folder=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    assert [line.partition(":")[0] for line in lines] == ["department", "question", "sheet"]
    for line in lines:
        refused, used, *faults = (int(words.split()[-1].replace(",", "")) for words in line.split(", "))
        assert refused + used == 20
        assert faults == [0] * 5
