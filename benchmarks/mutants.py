"""Would the tests notice? Small changes of formulas, wiring and rules, each tried on a copy of the project.

Run ``python benchmarks/mutants.py``; ``--only WORD`` tries those whose file or text holds a word. Every change is made
alone in a temporary copy of the tree, where only the tests that should notice are run, and no slow ones. A change that
they let pass has survived, which is an error unless the list says why nobody could tell it from the original.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import run
from jetsim.errors import InputError

ROOT = Path(__file__).resolve().parents[1]
COPIED = ("jetsim", "studies", "tests", "benchmarks", "pyproject.toml", "README.md", "DEVELOPERS.md")


class Mutant(NamedTuple):
    """One change: file, the text that stands there once, what takes its place, and tests that should notice.

    `equivalent` says why no test can notice, where that is so.
    """

    file: str
    old: str
    new: str
    tests: str
    equivalent: str = ""


# fmt: off
MUTANTS = tuple(Mutant(f"jetsim/{file}", old, new, tests) for file, old, new, tests in (
    # Wiring of the simulation
    ("simulation.py", "speed**2 * _stream_diameter(columns) / tension", 'speed**2 * columns["tip_diameter"] / tension',
     "test_stream"),
    ("simulation.py", 'media.air_viscosity(columns["air_temperature"])',
     'media.air_viscosity(columns["water_temperature"])', "test_stream"),
    ("simulation.py", 'density_ratio=media.water_density(columns["water_temperature"])',
     'density_ratio=media.water_density(columns["air_temperature"])', "test_stream"),
    ("simulation.py", 'air_density=media.air_density(columns["air_temperature"], columns["air_pressure"])',
     'air_density=media.air_density(columns["air_temperature"])', "test_stream"),
    ("simulation.py", "np.where(np.isnan(measured), length, measured)",
     "np.where(np.isnan(measured), measured, length)", "test_stream"),
    ("simulation.py", "np.where(flight.lost, 2, np.isnan(flight.extreme_reach))",
     "np.where(flight.lost, 2, np.isnan(flight.apex_height))", "test_stream"),
    ("simulation.py", "length = ratio * _stream_diameter(columns)", 'length = ratio * columns["tip_diameter"]',
     "test_stream"),
    ("flags.py", "model.weber_range) & estimated", "model.weber_range)", "test_flags"),
    ("flags.py", "(length / diameter, fitted", '(length / values["tip_diameter"], fitted', "test_flags"),
    ("findings.py", "if share <= MANY:", "if share < MANY:", "test_flags"),
    ("findings.py", "if not others and shares[often[0]] == share:", "if not others:", "test_flags"),
    # Spray and delivery
    ("jet/spray.py", "return self.law.half_width(clock) / 2", "return self.law.half_width(clock)", "test_spray"),
    ("jet/delivery.py", "_GRAZING = 0.05", "_GRAZING = 0.5", "test_delivery"),
    ("jet/thrown.py", "DELIVERED_SHARE = 0.90", "DELIVERED_SHARE = 0.80", "test_delivery"),
    ("jet/thrown.py", "np.where(ratio == 1.0, thrown", "np.where(ratio > 1.0, thrown", "test_delivery"),
    ("jet/thrown.py", "_CARRIED, _CARRIED_POWERS = 1.3", "_CARRIED, _CARRIED_POWERS = 0.9", "test_finer_streams"),
    ("jet/thrown.py", "np.minimum.at(least, case", "np.maximum.at(least, case", "test_finer_streams"),
    ("jet/delivery.py", "np.fmax(here, _carried_at(", "np.fmin(here, _carried_at(", "test_delivery"),
    ("jet/trajectory.py", "ROUGH = Effort(FOURTH, 10, 10, 18.0,", "ROUGH = Effort(FOURTH, 6, 6, 8.0,", "test_delivery"),
    ("jet/runge_kutta.py", "np.array([1.0, 3.0, 3.0, 1.0]) / 8", "np.array([1.0, 2.0, 2.0, 1.0]) / 6",
     "test_trajectory"),
    ("jet/runge_kutta.py", "-0.015319437748624402", "-0.015319437748624412", "test_trajectory"),
    ("jet/sizes.py", "FARTHEST, TENTH = 0.95, 0.10", "FARTHEST, TENTH = 0.90, 0.10", "test_delivery"),
    # Breakup, turbulence and drag
    ("jet/breakup.py", "jet.weber_number**0.334", "jet.weber_number**0.304", "test_breakup"),
    ("jet/breakup.py", "np.asarray(given.scale) * breakup_model", "breakup_model", "test_breakup"),
    ("jet/breakup.py", "(jet.density_ratio / REFERENCE_DENSITY_RATIO)", "(REFERENCE_DENSITY_RATIO / jet.density_ratio)",
     "test_breakup"),
    ("jet/turbulence.py", "(1 + stretch) ** (-n / 2)", "(1 + stretch) ** -n", "test_turbulence"),
    ("jet/turbulence.py", "np.sqrt(product / 3)", "np.sqrt(product / 2)", "test_turbulence"),
    ("jet/turbulence.py", "np.hypot(1.0, valve / waterway_intensity(constants.friction_factor))",
     "1.0 + valve / waterway_intensity(constants.friction_factor)", "test_turbulence"),
    ("jet/laws/two_stage.py", "drag = 0.75 * np.asarray(constants.sphere_drag)",
     "drag = 0.5 * np.asarray(constants.sphere_drag)",
     "test_trajectory test_drag"),
    ("jet/laws/air_stream.py", "half * np.sqrt(jet.exit_speed / ratio)", "half * np.sqrt(jet.exit_speed * ratio)",
     "test_drag"),
    # Nozzles
    ("hydraulics/nozzle.py", "dtype=float) ** 2 * beta**4", "dtype=float) ** 2 * beta**2", "test_nozzle"),
    ("hydraulics/nozzle.py", "np.asarray(2 * both * area", "np.asarray(both * area", "test_nozzle"),
    ("hydraulics/nozzle_kinds.py", "FOG_DIAMETER_RATIO = sum(FOG_DIAMETER_RANGE) / 2", "FOG_DIAMETER_RATIO = 0.65",
     "test_nozzle_kinds"),
    ("hydraulics/nozzle_kinds.py", "FOG_VELOCITY_COEFFICIENT = 0.959", "FOG_VELOCITY_COEFFICIENT = 0.97",
     "test_nozzle_kinds"),
    ("hydraulics/nozzle_kinds.py", "check_wear(diameter_ratio) ** 4", "check_wear(diameter_ratio) ** 2",
     "test_nozzle_kinds"),
    ("hydraulics/nozzle_kinds.py", "np.clip(position, 0, len", "np.clip(position, 1, len", "test_nozzle_kinds"),
    ("hydraulics/nozzle_kinds.py", "self.discharge_area(pressure) / cv)", "self.discharge_area(pressure))",
     "test_nozzle_kinds"),
    ("hydraulics/automatic.py", "(line + self.highest_pressure / high**2)", "(line + self.lowest_pressure / high**2)",
     "test_automatic test_nozzle_kinds"),
    ("hydraulics/automatic.py", "self.slope**2 + 4 * line", "self.slope**2 + 2 * line",
     "test_automatic test_nozzle_kinds test_operating_point"),
    # Line, pump and crew
    ("hydraulics/hoseline.py", "head = 10.67 *", "head = 10.07 *", "test_hoseline"),
    ("hydraulics/hoseline.py", "** (-1 / self.exponent)", "** (-1 / 2)", "test_hoseline"),
    ("hydraulics/hoseline.py", "/ 2 * (self.share / area) ** 2", "/ 2 * (1 / area) ** 2",
     "test_hoseline"),
    ("hydraulics/hoseline.py", "return self.nozzles_fed / self.lines", "return 1 / self.lines", "test_hoseline"),
    ("hydraulics/hoseline.py", "np.maximum(-self.elevation_pressure(density), 0.0)",
     "np.maximum(self.elevation_pressure(density), 0.0)", "test_hoseline"),
    ("hydraulics/hoseline.py", "StepLoss(10 * units.PSI, 350", "StepLoss(10 * units.PSI, 250", "test_hoseline"),
    ("hydraulics/operating_point.py", "(pump_pressure) - line.elevation", "(pump_pressure) + line.elevation",
     "test_operating_point"),
    ("hydraulics/operating_point.py", "beyond & (with_step <= step.threshold)", "beyond & (with_step < 0)",
     "test_operating_point"),
    ("hydraulics/required_pressure.py", "most = supply.maximum_flow / system[0].sections[0].nozzles_fed",
     "most = supply.maximum_flow", "test_required_pressure"),
    ("hydraulics/required_pressure.py", "(point.pump_pressure >= 0) & ", "", "test_required_pressure"),
    ("hydraulics/believed.py", "floats(pump_pressure) + floats(dev", "floats(pump_pressure) - floats(dev",
     "test_believed"),
    ("hydraulics/believed.py", ".deviated(deviation.hose_deviation)", "", "test_believed"),
    ("hydraulics/crew.py", "<= self.limit(firefighters)", "< self.limit(firefighters)", "test_crew"),
    ("hydraulics/crew.py", 'side="left"', 'side="right"', "test_crew"),
    # Media, units, published formulas
    ("media.py", "-46.170461e-6", "-40.170461e-6", "test_media"),
    ("media.py", "(absolute + 110.4)", "(absolute + 100.4)", "test_media"),
    ("media.py", "(1 - 0.625 * tau)", "(1 - 0.525 * tau)", "test_media"),
    ("units.py", "13595.1 *", "13551.0 *", "test_units"),
    ("units.py", "offset=-32.0", "offset=-31.0", "test_units"),
    ("units.py", "return -size if", "return size if", "test_units"),
    ("published.py", "to_si(1.57 *", "to_si(1.60 *", "test_nozzle test_crew"),
    ("published.py", "(0.1 * d) ** 3", "(0.1 * d) ** 2", "test_published"),
    ("published.py", "1.75: (15.5, 10.0)", "1.75: (18.5, 10.0)", "test_published"),
    ("published.py", "0.5 * (1 - np.asarray(area_ratio, dtype=float)) ** 0.75",
     "0.5 * (1 - np.asarray(area_ratio, dtype=float)) ** 0.5", "test_published"),
    # Experiment, and the studies' rules
    ("experiment/ranking.py", "np.arange(len(p_values), 0, -1)", "len(p_values) ** 0", "test_ranking"),
    ("experiment/ranking.py", "values.std(axis=0, ddof=1)", "values.std(axis=0, ddof=0)", "test_ranking"),
    ("experiment/sensitivity.py", "change, change) / (2 * size)", "change, change) / size", "test_sensitivity"),
    ("experiment/distributions.py", "math.log(self.highest / self.lowest)\n        return np.clip",
     "math.log10(self.highest / self.lowest)\n        return np.clip", "test_distributions"),
    ("throws/likelihood.py", "at]) - _log_product(middle)", "at]) + _log_product(middle)", "test_likelihood"),
    ("pumping/runs.py", "good = swept.allowed & (found.both >= wanted.probability)",
     "good = found.both >= wanted.probability", "test_pumping_runs"),
    ("pumping/runs.py", "(enough & within).mean(axis=-1)", "(enough | within).mean(axis=-1)", "test_pumping_runs"),
    ("equipment/model.py", "values.get(EXCESS, 0.0))", "0.0)", "test_equipment_model"),
    ("window/throwing.py", "[1] >= task.flow).mean(axis=-1)", "[1] > 0.0).mean(axis=-1)", "test_window_throwing"),
    # The teaching page
    ("teaching/tables.py", "found[name][1:] += unit[1:] * off", "found[name][1:] += off", "test_study_teaching_page"),
    ("teaching/tables.py", "(setting.length - self.shortest)", "setting.length", "test_study_teaching_page"),
    ("report/teaching.js", "(at.length - s.shortest)", "at.length", "test_teaching_browser"),
    ("report/teaching.js", 'crew.formula === "handbook"', 'crew.formula !== "handbook"', "test_teaching_browser"),
))
# fmt: on


def changed(text: str, mutant: Mutant) -> str:
    """The source with one change.

    Raises
    ------
    InputError
        The old text does not stand there exactly once.
    """
    count = text.count(mutant.old)
    if count != 1:
        raise InputError(
            f"{mutant.file}: {mutant.old!r} stands there {count} times, not once: bring the list up to date"
        )
    return text.replace(mutant.old, mutant.new)


def is_noticed(tree: Path, tests: Sequence[str]) -> bool:
    """Whether one of some test files of a tree fails.

    Raises
    ------
    InputError
        The tests could not be run at all.
    """
    files = [f"tests/{name}.py" for name in tests]
    command = [sys.executable, "-m", "pytest", "-n", "0", "-x", "-q", "-p", "no:cacheprovider", *files]
    # Compiled files are told apart by the second and the size, which a change of one letter keeps.
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(command, cwd=tree, env=environment, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1, 2):
        raise InputError(f"{' '.join(tests)}: pytest ended with status {done.returncode}: {done.stderr.strip()[-200:]}")
    return done.returncode != 0


def survivors(source: Path, mutants: Sequence[Mutant]) -> list[Mutant]:
    """Try changes one by one on a copy of a tree, print what became of each, and return those that survived.

    Raises
    ------
    InputError
        An old text does not stand in its file exactly once, or a test fails without any change.
    """
    sources = {m.file: (source / m.file).read_text(encoding="utf-8") for m in mutants}
    texts = [changed(sources[m.file], m) for m in mutants]
    survived = []
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder)
        for name in COPIED:
            if (source / name).is_dir():
                shutil.copytree(source / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
            elif (source / name).exists():
                shutil.copy(source / name, tree / name)
        named = sorted({name for m in mutants for name in m.tests.split()})
        if is_noticed(tree, named):
            raise InputError("the tests fail without any change: mend them first")
        for mutant, text in zip(mutants, texts, strict=True):
            (tree / mutant.file).write_text(text, encoding="utf-8")
            noticed = is_noticed(tree, mutant.tests.split())
            (tree / mutant.file).write_text(sources[mutant.file], encoding="utf-8")
            word = "killed" if noticed else "equivalent" if mutant.equivalent else "SURVIVED"
            print(f"{word:10s} {mutant.file}: {mutant.old!r} -> {mutant.new!r}", flush=True)
            if word == "SURVIVED":
                survived.append(mutant)
    print(f"{len(mutants)} changes, {len(survived)} survived")
    return survived


def main() -> int:
    """Try all changes, or some of them; status 1 where one survived."""
    parser = argparse.ArgumentParser(description="Would the tests notice? Tries small changes on a copy of the tree.")
    parser.add_argument("--only", default="", metavar="WORD", help="only changes whose file or text holds a word")
    word = parser.parse_args().only
    chosen = [m for m in MUTANTS if word in m.file or word in m.old]
    if not chosen:
        raise InputError(f"--only {word!r}: no change holds that word")
    return 1 if survivors(ROOT, chosen) else 0


if __name__ == "__main__":
    sys.exit(run(main))
