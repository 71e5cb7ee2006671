"""A sheet that was read in, laid over what the model expected before the test."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jetsim import findings
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import Report, ReportCard, Section
from jetsim.report.figures import Plot, Words
from jetsim.report.figures_trials import Cloud, Ranges, agreement, range_rows
from jetsim.report.tables import Column, Table
from jetsim.throws import expected, model, planning, tested
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Sheet

Array = NDArray[np.float64]

DRAWS, QUICK_DRAWS = 512, 64
BAND = (0.05, 0.95)
SHOWN = {"farthest_drops": "farthest drops", "breakup_distance": "breakup as seen"}
QUESTION = "How do the throws compare with what the model expected before the test?"


@dataclass(frozen=True, eq=False)
class Overlay:
    """Measured and predicted for one column of the sheet, arrays of shape (throws,), SI.

    `wind_effect` is what the model says the wind of the throw added; `inside` says whether the band holds the throw.
    """

    column: str
    measured: Array
    middle: Array
    low: Array
    high: Array
    wind_effect: Array

    @property
    def still(self) -> Array:
        """Measured, with the effect of wind taken off."""
        return self.measured - self.wind_effect

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Whether the band of prediction holds the throw."""
        return np.asarray((self.measured >= self.low) & (self.measured <= self.high))

    def given(self, at: NDArray[np.intp]) -> NDArray[np.intp]:
        """Those throws of which it was read."""
        return at[~np.isnan(self.measured[at])]

    def bias(self, at: NDArray[np.intp]) -> float:
        """Mean of predicted minus measured; NaN where nothing was read."""
        given = self.given(at)
        return float((self.middle - self.measured)[given].mean()) if given.size else float("nan")

    def rmse(self, at: NDArray[np.intp]) -> float:
        """Root of the mean squared difference; NaN where nothing was read."""
        given = self.given(at)
        return float(np.sqrt(((self.middle - self.measured)[given] ** 2).mean())) if given.size else float("nan")

    def coverage(self, at: NDArray[np.intp]) -> float:
        """Share of measured throws inside the band."""
        given = self.given(at)
        return float(self.inside[given].mean()) if given.size else float("nan")


@dataclass(frozen=True, eq=False)
class Reading:
    """A sheet with its overlays by column, the simulated flights, and their validity."""

    sheet: Sheet
    thrown: expected.Throws
    overlays: dict[str, Overlay]
    runs: int
    flags: NDArray[np.int16]


def overlay(test: FieldTest, sheet: Sheet, values: dict[str, Array], rng: np.random.Generator) -> Reading:
    """Lay predictions over the throws that count.

    Parameters
    ----------
    test : FieldTest
    sheet : Sheet
    values : dict of name to ndarray, shape (draws,)
        Draws of the unknowns: priors before the test, a posterior after it.
    rng : Generator
        Draws the scatter of each throw.
    """
    counted = sheet.accepted
    thrown = expected.throws_of(test, counted)
    flags: list[NDArray[np.int16]] = []
    shown = expected.expected(test, thrown, values, flags)
    middle = {name: np.array([np.median(value)]) for name, value in values.items()}
    windy, still = (expected.expected(test, t, middle) for t in (thrown, thrown.in_still_air()))
    overlays = {}
    for column in SHOWN:
        scatter = expected.scatter_of_throw(test, thrown, shown, values, column)
        drawn = shown[column] * (1 + scatter * rng.standard_normal(scatter.shape))
        low, central, high = np.quantile(drawn, (BAND[0], 0.5, BAND[1]), axis=0)
        effect = (windy[column] - still[column])[0]
        overlays[column] = Overlay(column, counted.numbers[column], central, low, high, effect)
    runs = (len(values[model.GAUGE]) + 2) * len(counted.setups)
    return Reading(sheet, thrown, overlays, runs, np.concatenate(flags))


# --------------------------------------------------------------------------------------------------------
# Words


def reading_report(test: FieldTest, reading: Reading, system: UnitSystem) -> Report:
    """What was read and how it compares."""
    pairs = tested.tested(test, reading.sheet)
    return Report(
        f"Read in: {test.title}",
        lead(test, reading, system),
        [
            Section("Which set-ups differ", tables=[tested.tested_table(test, pairs, system)]),
            Section("Throw by throw", [_caption(reading)], [agreement_plot(test, reading, "prediction", system)],
                    [overlay_table(test, reading)]),
            Section("Wind taken off", ["What the model says wind did to each throw is subtracted from what was read."],
                    [still_plot(test, reading, system)], [wind_table(test, reading)]),
            Section("Throws that do not count", [], tables=[excluded_table(reading)]) if reading.sheet.excluded.any()
            else Section("Throws that do not count", ["None was excluded."]),
        ],
        card(test, reading),
        system,
        subtitle=test.scenario,
        validity=findings.flag_counts(reading.flags),
    )  # fmt: skip


def _caption(reading: Reading) -> str:
    return (
        "Bands hold the middle 90 % of what is believed of the set-ups and the scatter of a throw allow; the test has "
        "not been used yet."
    )


def lead(test: FieldTest, reading: Reading, system: UnitSystem) -> list[str]:
    """Counts, agreement, and the effect of wind."""
    drops = reading.overlays["farthest_drops"]
    every = np.arange(len(drops.measured))
    excluded = int(reading.sheet.excluded.sum())
    breakup = reading.overlays["breakup_distance"]
    farther = "beyond" if drops.bias(every) > 0 else "short of"
    lines = [
        f"{len(every)} throws of {len(test.setups)} set-ups count, {excluded} are excluded with a reason; every row "
        "passed all checks.",
        tested.verdict_words(test, tested.tested(test, reading.sheet), system),
        f"Before the test the model put the farthest drops {_length(abs(drops.bias(every)), system)} {farther} what "
        f"was measured on average (RMSE {_length(drops.rmse(every), system)}).",
        f"{display.percent(drops.coverage(every))} of the throws lie inside its bands of nine in ten. All throws of a "
        "set-up share most of what was not known, so they lie inside together or not at all: this is no test of the "
        "bands.",
        f"Wind moved the throws by {_signed(float(drops.wind_effect.min()), system)} to "
        f"{_signed(float(drops.wind_effect.max()), system)} by the model.",
    ]
    if not np.isnan(breakup.measured).all():
        lines.append(
            f"Breakup as seen: RMSE {_length(breakup.rmse(every), system)}, "
            f"{display.percent(breakup.coverage(every))} inside the bands; what an eye calls breakup is uncertain too."
        )
    outside = findings.outside_sentence(reading.flags)
    lines = [outside, *lines] if outside else lines
    return [*lines, "Next: python studies/field_test.py calibrate, which learns the unknowns from these throws."]


def _length(value: float, system: UnitSystem) -> str:
    return display.both("extreme_reach", value, system)


def _signed(value: float, system: UnitSystem) -> str:
    return _length(value, system).replace("-", "\N{MINUS SIGN}")


def agreement_plot(test: FieldTest, reading: Reading, name: str, system: UnitSystem) -> Plot:
    """Predicted against measured for farthest drops and, where it was read, breakup."""
    panels = {}
    for quantity, column in (("extreme_reach", "farthest_drops"), ("breakup_distance", "breakup_distance")):
        over = reading.overlays[column]
        if not np.isnan(over.measured).all():
            panels[quantity] = [_cloud(setup.label, over, reading.thrown.of(setup.name)) for setup in test.setups]
    drops = reading.overlays["farthest_drops"]
    share = 100 * drops.coverage(np.arange(len(drops.measured)))
    words = Words(
        f"throws_against_{name.replace(' ', '_')}",
        f"{share:.0f} % of the throws lie inside the 90 % bands of the {name}",
        "Each mark is a throw; its bar holds the middle 90 % of the prediction for the pressure, elevation and wind of "
        "that throw. Grey: perfect agreement.",
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
        "Crosses: throws, corrected for wind by the model. Band: middle 90 % of the prediction.",
    )
    return range_rows(words, "extreme_reach", rows, ("prediction", "throw, wind taken off", ""), system)


def overlay_table(test: FieldTest, reading: Reading) -> Table:
    """Bias, RMSE and coverage of each set-up."""
    read = [c for c, over in reading.overlays.items() if not np.isnan(over.measured).all()]
    rows = [(setup, column) for column in read for setup in test.setups]

    def each(method: str) -> list[float]:
        return [getattr(reading.overlays[c], method)(reading.thrown.of(s.name)) for s, c in rows]

    return Table(
        "overlay",
        "Prediction against the throws, set-up by set-up",
        (
            Column("setup", [s.label for s, _ in rows]),
            Column("measured", [SHOWN[c] for _, c in rows]),
            Column("throws", [len(reading.overlays[c].given(reading.thrown.of(s.name))) for s, c in rows]),
            Column("bias", each("bias"), "extreme_reach", "Bias (predicted minus measured)", interval=True),
            Column("rmse", each("rmse"), "extreme_reach", "RMSE", interval=True),
            Column("coverage [%]", [100 * value for value in each("coverage")], label="Inside the 90 % band, %"),
        ),
        "All throws that count.",
    )


def wind_table(test: FieldTest, reading: Reading) -> Table:
    """Mean and scatter as measured and with the wind taken off."""
    over = reading.overlays["farthest_drops"]
    places = [reading.thrown.of(setup.name) for setup in test.setups]
    columns = [Column("setup", list(test.labels.values()))]
    for key, values, words in (("measured", over.measured, "As measured"), ("still", over.still, "Wind taken off")):
        means = [float(values[at].mean()) for at in places]
        spreads = [float(values[at].std(ddof=1)) for at in places]
        columns.append(Column(f"{key}_mean", means, "extreme_reach", f"{words}: mean"))
        columns.append(Column(f"{key}_sd", spreads, "extreme_reach", "scatter (standard deviation)", interval=True))
    return Table(
        "wind_corrected",
        "Farthest drops as measured and with the wind taken off",
        tuple(columns),
        "All throws that count.",
    )


def excluded_table(reading: Reading) -> Table:
    """Excluded throws with their reasons."""
    at = np.flatnonzero(reading.sheet.excluded)
    return Table(
        "excluded",
        "Excluded throws",
        (
            Column("run_order", [int(reading.sheet.numbers["run_order"][n]) for n in at]),
            Column("setup", [reading.sheet.setups[n] for n in at]),
            Column("reason", [reading.sheet.reasons[n] for n in at]),
        ),
        "As the sheet marks them.",
    )


def card(test: FieldTest, reading: Reading) -> ReportCard:
    """How the bands were found."""
    return ReportCard(
        QUESTION,
        "Each throw simulated at its own pressure, elevation and wind for draws of what is believed; bands add the "
        "scatter of a throw and the reading error",
        reading.runs + tested.BLOCKS * len(test.setups),
        test.seed,
        0,
        "middle 90 % of the draws",
        "does not apply",
        inputs=planning.input_lines(test),
        more={"Wind": "as read at the ground, taken as uniform over the height of the stream",
              "Last continuous water": "checked and kept, not compared: the model does not give it"},
    )  # fmt: skip
