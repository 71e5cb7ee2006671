"""Kill studies at random moments, go on with --resume, and compare with a run that was left in peace.

Run ``python benchmarks/kills.py [--kills 30] [--studies rank_controls ...]``. Of every study: a whole run, then kills
at moments spread evenly at random over the time that it took, each followed by --resume. Counted are folders that look
whole after a kill and are not, results that differ, and leftovers; every count must be zero.
"""

import argparse
import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import ROOT, environment, run

STUDIES = (
    "rank_controls", "pump_and_crew", "valve_assumptions", "reach_a_target", "setup_cards", "fit_the_crew",
    "compare_nozzles", "teaching_page", "field_test plan", "field_test read", "field_test calibrate",
)  # fmt: skip
NAME = "out"  # of every folder: reports name the folder that they stand in
WRONG = ("looked whole", "did not go on", "other bytes", "leftovers")


@dataclass(frozen=True)
class Case:
    """A study as a command that writes into a folder.

    Attributes
    ----------
    words : str
        Script and subcommand.
    place : Path
    """

    words: str
    place: Path

    @property
    def folder(self) -> Path:
        """What it writes."""
        return self.place / NAME

    def command(self, *options: str) -> list[str]:
        """The command that writes the folder."""
        script, *sub = self.words.split()
        given = ["--quick", "--output", str(self.folder), *options]
        return [sys.executable, str(ROOT / "studies" / f"{script}.py"), *sub, *given]

    def run(self, *options: str) -> "subprocess.CompletedProcess[str]":
        """Run to the end."""
        return subprocess.run(self.command(*options), env=environment(), capture_output=True, text=True, check=False)

    def kill(self, seconds: float) -> bool:
        """Run, and kill after so long; False where it had ended before."""
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        with subprocess.Popen(self.command(), env=environment(), **quiet) as process:
            time.sleep(seconds)
            early = process.poll() is None
            process.kill()
        return early


def content(folder: Path) -> dict[str, bytes]:
    """Every file but for what differs between equal runs."""
    files = {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
    manifest = json.loads(files.pop("manifest.json"))
    return {**files, "manifest.json": json.dumps({**manifest, "run": None}).encode()}


def whole(folder: Path) -> bool:
    """Whether a folder looks whole."""
    return (folder / "manifest.json").exists()


def tried(case: Case, wanted: dict[str, bytes], seconds: float) -> list[str]:
    """What one kill and going on come to."""
    found, folder = ["killed"] if case.kill(seconds) else ["had ended"], case.folder
    if folder.exists() and not (whole(folder) and content(folder) == wanted):
        found.append("looked whole")
    done = case.run("--resume")
    taken = next((line for line in done.stderr.splitlines() if line.startswith("Taken up: ")), "Taken up: 0")
    found += ["pieces taken up"] * int(taken.split()[2])
    if done.returncode != 0:
        return [*found, "did not go on"]
    other = content(folder)
    if differing := [name for name in sorted({*other, *wanted}) if other.get(name) != wanted.get(name)]:
        print(f"{case.words}: other bytes in {', '.join(differing)}", file=sys.stderr)
        found.append("other bytes")
    if len(list(case.place.iterdir())) > 1:
        found.append("leftovers")
    shutil.rmtree(folder)
    return found


def main() -> int:
    """Kill, go on, count and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=30, help="in all, shared by the studies")
    parser.add_argument("--studies", nargs="+", default=STUDIES, choices=STUDIES)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    moments, counts = random.Random(options.seed), Counter[str]()
    shares = [options.kills // len(options.studies)] * len(options.studies)
    shares[: options.kills % len(options.studies)] = [n + 1 for n in shares[: options.kills % len(options.studies)]]
    for words, share in zip(options.studies, shares, strict=True):
        with tempfile.TemporaryDirectory() as place:
            case, start = Case(words, Path(place)), time.perf_counter()
            case.run().check_returncode()
            seconds, wanted = time.perf_counter() - start, content(case.folder)
            shutil.rmtree(case.folder)
            own = Counter[str]()
            for _ in range(share):
                own.update(tried(case, wanted, moments.uniform(0, seconds)))
        counts += own
        print(f"{words:20} {seconds:5.1f} s  {', '.join(f'{word}: {n}' for word, n in own.items())}", flush=True)
    print(", ".join(f"{word}: {counts[word]}" for word in ("killed", "had ended", "pieces taken up", *WRONG)))
    return 1 if any(counts[word] for word in WRONG) else 0


if __name__ == "__main__":
    sys.exit(run(main))
