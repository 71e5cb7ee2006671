"""What every study script shares: options, exit status, messages, and folders that are whole or untouched."""

import json
import os
import re
import signal
import subprocess
import sys
import textwrap
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from jetsim.errors import InputError
from jetsim.report.cautions import CAUTIONS, printed
from jetsim.report.figures import Plot
from jetsim.report.provenance import sha256
from jetsim.study import Findings, Options, Study, run, run_commands
from tests import samples
from tests.reports import without_pictures

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"


def results():
    """Results as an ensemble gives them: texts, flags and a layout in the attributes."""
    flags = xr.Variable("sample", np.array([0, 1, 3]), {"flag_masks": np.array([1, 2]), "flag_meanings": "a b"})
    data = {
        "nozzle_pressure": ("sample", [3e5, 3.4e5, 3.8e5], {"units": "Pa"}),
        "drag_model": ("sample", np.array(["two_stage", "entrained_air", "two_stage"])),
        "extreme_reach": ("sample", [25.0, np.nan, 27.0], {"units": "m", "long_name": "extreme reach"}),
        "validity": flags,
    }
    return xr.Dataset(data, {"sample": [0, 1, 2]}, {"layout": json.dumps({"kind": "sobol", "seed": 0})})


class Demo:
    """A small study whose steps are counted."""

    def __init__(self, place, compute=None):
        self.computed = 0
        self.seen: list[Options] = []
        self._compute = compute or (lambda loaded, options: self.findings(options))
        (place / "inputs").mkdir(exist_ok=True)
        self.file = place / "inputs" / "demo.toml"
        self.file.write_text("title = 'demo'")
        script = place / "demo.py"
        script.write_text("")
        self.study = Study("demo", "A demonstration.", script, self.load, self.plan, self.compute)

    def findings(self, options):
        report = samples.report(units=options.system("us"))
        extra = samples.table("extra")
        return Findings(report, {"results": results()}, tables=(extra,), data_files=(self.file,))

    def load(self, options):
        self.seen.append(options)
        if not options.inputs.exists():
            raise InputError(f"{options.inputs}: no such study file")
        return options.inputs.read_text()

    def plan(self, loaded, options):
        return f"Runs: {12 if options.quick else 180224}"

    def compute(self, loaded, options):
        self.computed += 1
        return self._compute(loaded, options)


@pytest.fixture
def demo(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return Demo(tmp_path)


def files(place):
    return {p.relative_to(place).as_posix(): p.read_bytes() for p in sorted(place.rglob("*")) if p.is_file()}


def test_a_study_writes_its_folder_and_tells_its_findings(demo, capsys):
    assert run(demo.study, []) == 0
    written = files(Path("results/demo"))
    assert list(written) == [
        "figures/shares.csv", "figures/shares.pdf", "figures/shares.png", "figures/shares.svg", "manifest.json",
        "report.html", "results.nc", "tables/extra.csv", "tables/reach.csv", "white_paper.docx",
    ]  # fmt: skip
    for ending, begins in (("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<?xml")):
        assert written[f"figures/shares.{ending}"].startswith(begins)
    shown = capsys.readouterr()
    assert shown.out.startswith("Elevation moves reach most (38 to 44 %).")
    assert "results/demo/report.html" in shown.out
    assert shown.out.rstrip().endswith(printed())
    assert shown.err == "Runs: 180224\nWorkers: 1\n"


@without_pictures()
def test_manifest_of_a_study(demo):
    run(demo.study, ["--quick", "--workers", "1"])
    manifest = json.loads(Path("results/demo/manifest.json").read_text())
    assert manifest["study"] == "demo"
    assert manifest["study_file"]["path"] == "../../inputs/demo.toml"
    assert manifest["seed"] == 0
    assert manifest["counts"] == {"runs": 180224, "failures": 0}
    assert manifest["quick"] is True
    assert manifest["run"]["workers"] == 1
    assert manifest["run"]["wall_time_seconds"] > 0
    assert set(manifest["outputs"]) == set(files(Path("results/demo"))) - {"manifest.json"}
    assert list(manifest["data_files"]) == ["demo.toml"]


def test_same_study_same_bytes_for_any_worker_count(demo):
    run(demo.study, ["--workers", "1"])
    first = files(Path("results/demo"))
    assert run(demo.study, ["--workers", "2"]) == 0
    second = files(Path("results/demo"))
    assert first.keys() == second.keys()
    assert [name for name in first if first[name] != second[name]] == ["manifest.json"]


@without_pictures()
def test_results_survive_netcdf(demo):
    run(demo.study, [])
    with xr.open_dataset("results/demo/results.nc", engine="h5netcdf") as read:
        xr.testing.assert_identical(read.load(), results())


@without_pictures()
def test_report_names_its_making(demo):
    run(demo.study, ["--quick"])
    page = Path("results/demo/report.html").read_text()
    assert "Quick look with few computed throws" in page
    assert "study file demo.toml (SHA-256" in page
    assert "numpy" in page
    assert CAUTIONS[0].replace("'", "&#39;") in page


@pytest.mark.parametrize(
    ("argv", "written"), [([], True), (["--no-paper"], False), (["--quick"], False), (["--quick", "--paper"], True)]
)
@without_pictures()
def test_the_white_paper_is_written_in_full_runs_or_as_asked(demo, argv, written):
    assert run(demo.study, argv) == 0
    assert Path("results/demo/white_paper.docx").exists() == written


@without_pictures()
def test_the_report_says_how_to_run_it_again(demo):
    run(demo.study, ["--quick", "--units", "si"])
    page = Path("results/demo/report.html").read_text()
    assert "python studies/demo.py --inputs demo.toml --units si --quick" in page
    assert sha256(demo.file) in page


def test_dry_run_says_the_run_count_and_writes_nothing(demo, capsys):
    before = files(Path())
    assert run(demo.study, ["--dry-run", "--quick"]) == 0
    assert capsys.readouterr().out == "Runs: 12\n"
    assert demo.computed == 0
    assert files(Path()) == before
    assert not Path("results").exists()


@without_pictures()
def test_options_reach_the_study(demo):
    run(demo.study, ["--units", "si", "--workers", "3", "--output", "out"])
    seen = demo.seen[0]
    assert (seen.units, seen.workers, seen.output, seen.quick) == ("si", 3, Path("out"), False)
    assert seen.inputs == demo.file
    assert seen.system("us") == "si"
    assert Options(demo.file, Path("out")).system("us") == "us"
    assert Path("out/report.html").exists()


def failed(demo, argv, capsys):
    status = run(demo.study, argv)
    shown = capsys.readouterr()
    assert shown.out == ""
    line = shown.err.rstrip("\n").splitlines()[-1]
    assert "Traceback" not in shown.err
    assert shown.err.count("error:") == (status == 2)
    return status, line


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["--workers", "0"], "--workers: '0': allowed is a whole number from 1 to 256"),
        (["--workers", "-2"], "--workers: '-2': allowed"),
        (["--workers", "two"], "--workers: 'two': allowed"),
        (["--workers", "1e9"], "--workers: '1e9': allowed"),
        (["--units", "metric"], "--units: invalid choice: 'metric' (choose from"),
        (["--outptu", "x"], "--outptu"),
        (["--inputs", "gone.toml"], "gone.toml: no such study file"),
        (["--output", "."], "holds the current directory"),
        (["--output", ""], "holds the current directory"),
        (["--output", "demo.py"], "is a file"),
        (["--output", "demo.py/results"], "cannot be written"),
        (["--output", "inputs", "--overwrite"], "holds the study file"),
        (["--output"], "expected one argument"),
    ],
)
def test_bad_options_get_one_line(demo, capsys, argv, words):
    before = files(Path())
    status, line = failed(demo, argv, capsys)
    assert status == 2
    assert line.startswith("error: ")
    assert words in line
    assert demo.computed == 0
    assert files(Path()) == before


def test_help_ends_well(demo, capsys):
    assert run(demo.study, ["--help"]) == 0
    shown = capsys.readouterr().out
    (line,) = re.findall(r"Every study takes `(.*?)`", README.read_text(encoding="utf-8"), re.DOTALL)
    told = {*re.findall(r"--[\w-]+", line)}
    assert told == {*re.findall(r"^  (--[\w-]+)", shown, re.MULTILINE)}


def test_what_is_refused_while_computing_names_the_study_file_unless_it_names_another_place(demo, capsys):
    other = demo.file.with_name("sheet.csv")
    other.write_text("")
    lines = ("the model failed in run 3 (elevation = 30 deg): no", f"{other}: row 3: no", "--cluster x: no")

    def refuse(loaded, options):
        raise InputError(lines[demo.computed - 1])

    demo._compute = refuse
    assert [run(demo.study, []) for _ in lines] == [2, 2, 2]
    told = [line for line in capsys.readouterr().err.splitlines() if line.startswith("error")]
    assert told == [f"error: {demo.file}: {lines[0]}", f"error: {lines[1]}", f"error: {lines[2]}"]


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (InputError("tip_diameter = -1 in:\nallowed is above 0 to 7.87402 in"), 2, "-1 in: allowed is above 0"),
        (OSError(28, "No space left on device", "results.nc"), 2, "No space left on device: results.nc"),
        (KeyboardInterrupt(), 130, "interrupted"),
    ],
)
@without_pictures()
def test_trouble_while_computing_leaves_the_old_results(tmp_path, monkeypatch, capsys, error, status, words):
    monkeypatch.chdir(tmp_path)
    demo = Demo(tmp_path)
    run(demo.study, [])
    before = files(tmp_path)
    capsys.readouterr()

    def fail(loaded, options):
        raise error

    demo._compute = fail
    assert failed(demo, [], capsys)[0] == status
    assert files(tmp_path) == before
    assert words in failed(demo, [], capsys)[1]


@without_pictures()
def test_an_interrupt_while_writing_leaves_the_old_results(demo, monkeypatch, capsys):
    run(demo.study, [])
    before = files(Path())

    def interrupt(self, folder, quick=False):
        (folder / "half.png").write_bytes(b"half")
        raise KeyboardInterrupt

    monkeypatch.setattr(Plot, "save", interrupt)
    assert run(demo.study, []) == 130
    assert files(Path()) == before
    assert sorted(path.name for path in Path("results").iterdir()) == ["demo"]


def test_an_interrupt_while_reading_says_how_to_start_again(demo, capsys):
    def interrupt(options):
        raise KeyboardInterrupt

    assert run(replace(demo.study, load=interrupt), []) == 130
    assert capsys.readouterr().err.endswith("no half-written results were left; the same command starts again\n")


@without_pictures()
def test_no_control_character_reaches_the_terminal(demo, capsys):
    wild = "ball \x1b[31mvalve\x07"
    report = samples.report(lead=(f"The {wild} is best.",))
    demo._compute = lambda _, options: replace(demo.findings(options), report=report)
    study = replace(demo.study, plan=lambda *_: f"{wild}\nRuns: 12")
    assert run(study, []) == 0
    assert run(study, ["--dry-run"]) == 0

    def refuse(options):
        raise InputError(f"setups.a: {wild}")

    assert run(replace(study, load=refuse), []) == 2
    said = "".join(capsys.readouterr())
    assert said.count("ball [31mvalve") == 4
    assert not {character for character in said if not character.isprintable()} - {"\n"}


def test_a_bug_is_not_hidden(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def bug(loaded, options):
        raise ZeroDivisionError

    demo = Demo(tmp_path, bug)
    with pytest.raises(ZeroDivisionError):
        run(demo.study, [])
    assert not Path("results").exists()


def test_doubled_names_are_a_bug(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    report = samples.report()
    demo = Demo(tmp_path, lambda loaded, options: Findings(report, tables=(samples.table("reach"),)))
    with pytest.raises(ValueError, match="names must differ"):
        run(demo.study, [])
    assert not Path("results").exists()


@without_pictures()
def test_another_studys_folder_needs_overwrite(demo, tmp_path, capsys):
    run(demo.study, ["--output", "shared"])
    other = Study("other", "Another.", demo.study.script, demo.load, demo.plan, demo.compute, inputs="demo")
    capsys.readouterr()
    assert run(other, ["--output", "shared"]) == 2
    assert "holds the results of another study (demo)" in capsys.readouterr().err
    assert demo.computed == 1
    assert run(other, ["--output", "shared", "--overwrite"]) == 0
    assert json.loads(Path("shared/manifest.json").read_text())["study"] == "other"


@without_pictures()
def test_subcommands_have_options_of_their_own(demo, capsys):
    seen = {}

    def load(options):
        seen.update(options.extra)
        return ""

    def add(parser):
        parser.add_argument("--throws", type=int, default=12)

    plan = Study("field_test_plan", "Plan a test.", demo.study.script, load, demo.plan, demo.compute, add, "demo")
    read = Study("field_test_read", "Read a test.", demo.study.script, load, demo.plan, demo.compute, inputs="demo")
    commands = {"plan": plan, "read": read}
    assert run_commands("Field test.", commands, ["plan", "--throws", "20"]) == 0
    assert seen == {"throws": 20}
    assert Path("results/field_test_plan/report.html").exists()
    capsys.readouterr()
    assert run_commands("Field test.", commands, ["read", "--throws", "20"]) == 2
    assert run_commands("Field test.", commands, []) == 2
    assert run_commands("Field test.", commands, ["plam"]) == 2
    assert capsys.readouterr().err.count("error: ") == 3


def test_one_worker_needs_no_threads():
    with Options(Path("x"), Path("y"), workers=1).executor() as executor:
        assert executor is None
    with Options(Path("x"), Path("y"), workers=2).executor() as executor:
        assert list(executor.map(abs, [-1, -2])) == [1, 2]


def test_waiting_chunks_are_dropped_on_an_interrupt():
    done = []

    def interrupt():
        with Options(Path("x"), Path("y"), workers=2).executor() as executor:
            for number in range(50):
                executor.submit(lambda n=number: (time.sleep(0.02), done.append(n)))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupt()
    assert len(done) < 10


SLOW = """
    import sys, time
    from pathlib import Path
    from jetsim.study import Study, run

    def compute(loaded, options):
        with options.executor() as executor:
            chunks = [executor.submit(time.sleep, 0.05) for _ in range(2000)]
            print("computing", file=sys.stderr, flush=True)
            for chunk in chunks:
                chunk.result()

    STUDY = Study("slow", "Slow.", Path(__file__), lambda o: o.inputs.read_text(), lambda l, o: "Runs: 2000", compute)
    sys.exit(run(STUDY))
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there such signals cannot be sent")
@pytest.mark.parametrize(("sign", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_real_interrupt(tmp_path, sign, status):
    (tmp_path / "inputs").mkdir()
    (tmp_path / "inputs" / "slow.toml").write_text("title = 'slow'")
    script = tmp_path / "slow.py"
    script.write_text(textwrap.dedent(SLOW))
    before = files(tmp_path)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, str(script), "--workers", "2"]
    with subprocess.Popen(command, cwd=tmp_path, env=environment, stderr=subprocess.PIPE, text=True) as process:
        lines = [process.stderr.readline() for _ in range(3)]
        assert lines[-1] == "computing\n", lines
        process.send_signal(sign)
        rest = process.stderr.read()
        assert process.wait(timeout=10) == status
    assert rest.strip().endswith("no half-written results were left; the same command starts again")
    assert "Traceback" not in rest
    assert files(tmp_path) == before
    assert not (tmp_path / "results").exists()


@without_pictures()
def test_a_reader_who_leaves_early_is_no_error(demo, monkeypatch):
    """As in ``... | head -1``: the results are in place."""
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as left, monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", left)
        assert run(demo.study, ["--quick"]) == 0
    assert Path("results/demo/manifest.json").exists()


@pytest.mark.slow
def test_a_process_whose_reader_leaves_early_ends_well(tmp_path):
    demo = Demo(tmp_path)
    code = f"""
        import sys
        from pathlib import Path
        sys.path.insert(0, {str(ROOT)!r})
        from tests import samples
        from jetsim.study import Findings, Study, run
        study = Study("demo", "Demo.", Path({str(demo.study.script)!r}), lambda o: "", lambda l, o: "Runs: 1",
                      lambda l, o: Findings(samples.report()))
        sys.exit(run(study, ["--quick", "--workers", "1"]))
    """
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-c", textwrap.dedent(code)]
    done = subprocess.run(command, cwd=tmp_path, stdout=writer, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writer)
    assert done.returncode == 0
    assert "Traceback" not in done.stderr
    assert (tmp_path / "results/demo/manifest.json").exists()


# Ctrl-C as soon as a script asks for the package.
STOPPED = """
import runpy, signal, sys
class Stop:
    def find_spec(self, name, path=None, target=None):
        if name == "jetsim":
            signal.raise_signal(signal.SIGINT)
sys.meta_path.insert(0, Stop())
runpy.run_path(sys.argv[1], run_name="__main__")
"""


@pytest.mark.parametrize("script", sorted((ROOT / "studies").glob("*.py")), ids=lambda path: path.stem)
def test_an_interrupt_while_a_script_loads_is_one_line(script):
    done = subprocess.run([sys.executable, "-c", STOPPED, str(script)], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "interrupted: nothing had begun\n")
