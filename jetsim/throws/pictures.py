"""Figures of throws: pages to take to the ground, throws against prediction, odds, and what was learnt."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment import comparison
from jetsim.experiment.calibration import Learnt, Posterior
from jetsim.experiment.fieldtest import Throw
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.figures import Matrix, Plot, Words, heat_map
from jetsim.report.figures_trials import Cloud, Ranges, Tally, agreement, range_rows, tally_page
from jetsim.throws import names, tested
from jetsim.throws.comparing import Compared
from jetsim.throws.planning import Plan
from jetsim.throws.question import FieldTest, in_words
from jetsim.throws.reading import Overlay, Reading
from jetsim.throws.words import group_words, inside

Array = NDArray[np.float64]

ROWS_A_PAGE = 25


def tally_pages(test: FieldTest, plan: Plan, system: UnitSystem) -> list[Plot]:
    """The run sheet as pages to print."""
    unit = display.unit_label("extreme_reach", system)
    spacing, last = test.ground.mark_spacing, test.ground.last_mark
    distances = spacing * np.arange(1, int(np.floor(last / spacing + 1e-9)) + 1)
    marks = [f"{float(value):.4g}" for value in np.round(display.convert("extreme_reach", distances, system), 1)]
    blanks = ["nozzle pressure", "flow", "wind speed", "wind from", "breakup"]
    pages = []
    for page, start in enumerate(range(0, len(plan.order), ROWS_A_PAGE), 1):
        throws = [_throw_words(test, plan, throw, system) for throw in plan.order[start : start + ROWS_A_PAGE]]
        words = Words(
            f"run_sheet_page_{page}",
            f"Run sheet, page {page}: tick the mark reached by the farthest drops (marks in {unit})",
            "Circle the mark that the last continuous water reaches. Order and blocks are drawn at random: keep them. "
            f"Set-ups: {'; '.join(test.labels.values())}.",
        )
        pages.append(replace(tally_page(words, Tally(throws, marks, unit, blanks)), to_print=True))
    return pages


def _throw_words(test: FieldTest, plan: Plan, throw: Throw, system: UnitSystem) -> str:
    """Where pump pressure is matched, the pump is what is set; else the nozzle."""
    at_pump = test.condition == "pump pressure"
    pressure = test.matched if at_pump else plan.targets[throw.setup]
    shown = display.number(float(display.convert("nozzle_pressure", pressure, system)))
    place = "pump at" if at_pump else "at"
    unit = display.unit_label("nozzle_pressure", system)
    return f"{throw.run_order}  block {throw.block}  {throw.setup.upper()}  {place} {shown} {unit}"


def agreement_plot(test: FieldTest, reading: Reading, name: str, system: UnitSystem) -> Plot:
    """Predicted against measured for farthest drops and, where it was read, breakup."""
    panels = {}
    for quantity, column in (("extreme_reach", "farthest_drops"), ("breakup_distance", "breakup_distance")):
        over = reading.overlays[column]
        if over.read:
            panels[quantity] = [_cloud(setup.label, over, reading.thrown.of(setup.name)) for setup in test.setups]
    drops, breakup = (reading.overlays[column] for column in ("farthest_drops", "breakup_distance"))
    told = drops if drops.read else breakup
    words = Words(
        f"throws_against_{name.replace(' ', '_')}",
        f"{inside(told)} throws lie inside the bands of the {name}",
        "Each mark is a throw; its bar holds nine in ten chances of the prediction for the pressure, elevation and "
        "wind of that throw. Grey: perfect agreement.",
    )
    return agreement(words, panels, system)


def _cloud(label: str, over: Overlay, at: NDArray[np.intp]) -> Cloud:
    return Cloud(label, over.measured[at], over.middle[at], over.low[at], over.high[at])


def still_plot(test: FieldTest, reading: Reading, system: UnitSystem) -> Plot:
    """Throws of each set-up with the wind taken off, and the prediction in still air."""
    over = reading.overlays["farthest_drops"]
    rows = []
    for setup in test.setups:
        at = reading.thrown.of(setup.name)
        ends = [float(np.median((end - over.wind_effect)[at])) for end in (over.middle, over.low, over.high)]
        rows.append(Ranges(setup.label, ends[0], ends[1], ends[2], over.still[at]))
    best = tested.farthest(test, tested.tested(test, reading.sheet))
    words = Words(
        "throws_in_still_air",
        "Throws with the wind taken off: "
        + (f"set-up {best.upper()} beats every other" if best else "no set-up beats every other by the paired test"),
        "Crosses: throws, corrected for wind by the model. Band: nine in ten chances of the prediction.",
    )
    return range_rows(words, "extreme_reach", rows, ("prediction", "throw, wind taken off", ""), system)


def reach_plot(test: FieldTest, compared: Compared, system: UnitSystem) -> Plot:
    """Reach of every set-up."""
    rows = []
    for name, label in test.labels.items():
        low, middle, high = (float(v) for v in np.quantile(compared.values["reach"][name], (0.05, 0.5, 0.95)))
        ends = np.quantile(compared.single[name], (0.05, 0.5, 0.95))
        rows.append(Ranges(label, middle, low, high, second=(float(ends[1]), float(ends[0]), float(ends[2]))))
    groups = comparison.order_with_ties(compared.values["reach"])
    shown = group_words(groups)
    words = Words(
        "reach",
        f"Reach, {in_words(test)}: {shown}",
        "Bars: nine in ten. Set-ups joined by = are ties: the first does not beat the others in 90 of 100 comparisons; "
        "'then' says that it beats the first of the next group. "
        "Overlapping bands do not mean a tie: what set-ups share cancels in their difference.",
    )
    return range_rows(words, "extreme_reach", rows, ("average of many throws", "", "one throw"), system)


def odds_plot(test: FieldTest, compared: Compared) -> Plot:
    """Chance that the row out-reaches the column."""
    labels = list(test.labels.values())
    shown = 100 * np.clip(comparison.chances(compared.values["reach"]), 0.01, 0.99)
    matrix = Matrix(shown, labels, [name.upper() for name in test.labels],
                    "of 100 comparisons: the row out-reaches the column", 0.0, 100.0, lambda v: f"{v:.0f}")  # fmt: skip
    count = sum(pair.tie for pair in compared.pairs)
    words = Words(
        "odds",
        f"{count} of {len(compared.pairs)} pairs {'is a tie' if count == 1 else 'are ties'}",
        "Between 10 and 90 of 100 neither set-up is called longer. 99 stands for that or more, 1 for that or less.",
    )
    return heat_map(words, matrix)


def score_plot(test: FieldTest, posterior: Posterior, every: list[Learnt]) -> Plot:
    """Prior and posterior of every unknown on the scale of its prior."""
    ends, called = np.quantile(posterior.scores, (0.05, 0.5, 0.95), axis=0), names.called(test)
    rows = [
        Ranges(called[one.name], 0.0, -1.645, 1.645, second=(float(ends[1, k]), float(ends[0, k]), float(ends[2, k])))
        for k, one in enumerate(every)
    ]
    count = sum(one.words == "learnt" for one in every)
    words = Words(
        "prior_and_posterior",
        f"The throws settle {count} of {len(every)} unknowns well",
        "Nine in ten chances before and after the test, each unknown on the scale of what was believed of it.",
    )
    return range_rows(
        words,
        "away from what was believed, in its standard deviations",
        rows,
        ("before the test", "", "after the test"),
    )
