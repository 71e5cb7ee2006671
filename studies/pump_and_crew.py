"""From pump to crew: the pump pressure a target needs, what it costs in reaction, and what mistakes deliver.

Run ``python studies/pump_and_crew.py``; your own department goes into a copy of ``inputs/pump_and_crew.toml``.
"""

import sys
from dataclasses import replace
from pathlib import Path

from jetsim.errors import InputError
from jetsim.experiment.space import ParameterSpace
from jetsim.quantities import UnitSystem
from jetsim.report import display
from jetsim.report.document import Report, Section
from jetsim.report.figures import Words
from jetsim.study import Findings, Options, Study, run
from jetsim.supply import department, plan, plots, pumping, words
from jetsim.supply.found import Found, Loaded, check_names, check_together, find, ranked_space, ranking_runs
from jetsim.supply.model import PUMP

DRAWS, QUICK_DRAWS = 1024, 256
QUESTION = "What must the pump give for each nozzle and line, how sure is that, and what does the crew then hold?"


def load(options: Options) -> Loaded:
    """Read the study file."""
    space = ParameterSpace.from_toml(options.inputs, extra=("scenario", *department.TABLES, *plan.TABLES))
    try:
        check_names(space)
        own, wanted = department.read_department(space.extra), plan.read_plan(space.extra)
        loaded = Loaded(space, own, wanted, DRAWS)
        check_together(loaded)
    except InputError as error:
        raise InputError(f"{options.inputs}: {error}") from None
    return replace(loaded, space=space.quick(), draws=QUICK_DRAWS) if options.quick else loaded


def planned(loaded: Loaded, options: Options) -> str:
    """What would be run."""
    pairs = len(loaded.pairs)
    swept = pairs * loaded.draws * pumping.SWEEP_POINTS
    ranked = sum(ranking_runs(ranked_space(pair, loaded.space)) for pair in loaded.ranked_pairs)
    return (
        f"{loaded.space.title}\n{pairs} pairs of nozzle and line: {swept:,} runs over pump pressures, "
        f"{pairs * loaded.draws:,} at the estimated ones, {ranked:,} to rank the inputs"
    )


def compute(loaded: Loaded, options: Options) -> Findings:
    """Run everything and write it up."""
    with options.executor() as executor:
        found = find(loaded, executor)
    system = options.system(loaded.space.units)
    report = Report(
        loaded.space.title,
        lead(loaded, found, system),
        sections(loaded, found, system),
        words.report_card(loaded, found, QUESTION),
        system,
        words.maximum_notices(found),
        validity=words.validity_counts(found),
        subtitle=str(loaded.space.extra.get("scenario", "")),
    )
    rankings = {f"ranking_{r.estimate.pair.nozzle.name}": r.results for r in found.rankings}
    unshown = [
        words.chart_table(loaded, found),
        words.mistake_table(found.mistakes, everything=True),
        words.ranking_table(found),
    ]
    return Findings(report, rankings, tables=unshown)


def lead(loaded: Loaded, found: Found, system: UnitSystem) -> list[str]:
    """The findings in plain words: pump pressures first."""
    within = shares_within(loaded, found)
    lines = [slice(start, start + len(found.rankings)) for start in range(0, len(within), len(found.rankings))]
    crew = loaded.department.crew
    first, *others = (words.estimates_sentence(found.estimates[line], within[line], crew, system) for line in lines)
    return [
        " ".join(filter(None, (first, words.outside_sentences(found)))),
        *others,
        words.waterway_sentence(loaded),
        *(words.choice_sentence(choice, loaded, system) for choice in best_by_line(loaded, found)),
        *(words.mistake_sentence(mistakes, system) for mistakes in found.mistakes[lines[0]]),
        *(words.ranking_sentence(ranking) for ranking in found.rankings),
    ]


def shares_within(loaded: Loaded, found: Found) -> list[float]:
    """Share of runs at the estimated pressure with the crew's force within its stated limit, for each pair."""
    crew = loaded.department.crew
    forces = [delivered["supply.crew_force"].values for delivered in found.delivered]
    return [float(crew.limits.within(force, crew.firefighters).mean()) for force in forces]


def sections(loaded: Loaded, found: Found, system: UnitSystem) -> list[Section]:
    """Figures and tables."""
    return [
        chart_section(loaded, found, system),
        pumping_section(loaded, found, system),
        Section(
            "Believed against delivered",
            ["Each mistake alone, at the pump pressure that the stated coefficients call for."],
            tables=[words.mistake_table(found.mistakes[: len(found.rankings)])],
        ),
        ranking_section(found),
        choice_section(loaded, found, system),
    ]


def chart_section(loaded: Loaded, found: Found, system: UnitSystem) -> Section:
    """The pump chart."""
    middle = [float(e.pump_pressure.high / e.pump_pressure.low) for e in found.estimates]
    title = Words(
        "pump_chart",
        "One chart value hides a spread: the pump pressures that nine cases in ten need differ by a factor of up to "
        f"{max(middle):.2f}",
        "Median and middle 90 % of the pump pressure for each nozzle's target, by length of the line's last section, "
        "as hose coefficient, kinks and opening vary. " + words.capital(words.VERIFY) + ".",
    )
    return Section(
        "Pump chart",
        [f"Every pressure here is an estimate, {words.VERIFY}."],
        [plots.pump_chart(loaded, found, title, system)],
        [
            words.estimate_table(found),
            words.cost_table(found, shares_within(loaded, found), loaded.department.crew),
            words.short_chart(loaded, found, system),
        ],
    )


def pumping_section(loaded: Loaded, found: Found, system: UnitSystem) -> Section:
    """Over- and under-pumping on the first line."""
    figures = []
    for choice in found.choices[: len(found.rankings)]:
        title = Words(
            f"over_and_under_{choice.swept.pair.nozzle.name}",
            window_title(choice, loaded, system),
            "Median and middle 90 % over hose, kinks, opening, setting, wind and breakup at each pump pressure as "
            "believed. Bands of force include the measured excess over the formula. Grey: the last stretch below the "
            "stated limit of the crew in question.",
        )
        figures.append(plots.over_and_under(loaded, choice, title, system))
    text = (
        "Too little pump pressure starves the flow, too much puts the force above the stated limit. The operating "
        f"window is where both are met in {display.percent(loaded.plan.probability)} of the runs or more."
    )
    return Section("Over- and under-pumping", [text], figures)


def window_title(choice: pumping.Choice, loaded: Loaded, system: UnitSystem) -> str:
    """What a figure of over- and under-pumping shows."""
    pair = words.capital(choice.swept.pair.words)
    if choice.window is None:
        best = display.percent(float(choice.chances.both.max()))
        return f"{pair}: no pump pressure meets target flow and stated limit in more than {best} of the runs"
    return f"{pair}: target flow and stated limit are both met {window_words(choice, system)}"


def window_words(choice: pumping.Choice, system: UnitSystem) -> str:
    """A window of pump pressures by both its ends, and where the sweep ends before it does."""
    assert choice.window is not None
    low, high = (words.display.both(PUMP, end, system) for end in choice.window)
    lowest, highest = (bool(choice.window[end] == choice.swept.pump_pressure[end]) for end in (0, -1))
    if low == high:
        where = ", where the sweep begins," if lowest else ", where the sweep ends," if highest else ""
        return f"at a pump pressure of {low}{where} and at none tried next to it"
    begins = ", where the sweep begins," if lowest else ""
    ends = ", where the sweep ends" if highest else ""
    return f"between pump pressures of {low}{begins} and {high}{ends}"


def ranking_section(found: Found) -> Section:
    """What moves delivered flow and reach."""
    figures = [
        plots.ranking(
            ranking,
            Words(
                f"ranking_{ranking.estimate.pair.nozzle.name}",
                words.ranking_sentence(ranking).rstrip("."),
                f"{words.capital(ranking.estimate.pair.words)}, pumped as believed at its estimated pressure. Shares "
                "of variance of delivered flow and of reach, 95 % intervals over replicates.",
            ),
        )
        for ranking in found.rankings
    ]
    text = (
        "Inputs that the crew or the pump operator controls stand apart from weather and from what is not known. "
        "What is not known (a fog stream's coherence above all, which is assumed) says how little is known, not how a "
        "nozzle behaves. All indices and places: tables/sobol_indices.csv."
    )
    return Section("What moves delivered flow and reach", [text], figures)


def choice_section(loaded: Loaded, found: Found, system: UnitSystem) -> Section:
    """The operating choice."""
    best = [words.choice_sentence(choice, loaded, system) for choice in best_by_line(loaded, found)]
    title = Words(
        "operating_choice",
        best[0].partition(". ")[0].rstrip("."),
        "Medians and middle 90 % of reach. The chance counts hose, kinks, opening, setting, gauge and the measured "
        "excess of force over the formula; opening, closing and slipping come on top.",
    )
    return Section("Operating choice", best, [plots.choices(loaded, found, title, system)], [words.choice_table(found)])


def best_by_line(loaded: Loaded, found: Found) -> list[pumping.Choice]:
    """The best nozzle and pump pressure of each line: the line is laid as the site needs it."""
    count = len(loaded.department.nozzles)
    return [pumping.best(found.choices[start : start + count]) for start in range(0, len(found.choices), count)]


STUDY = Study(
    "pump_and_crew",
    "From pump to crew: pump chart, over- and under-pumping, mistakes, and what the crew then holds.",
    Path(__file__),
    load,
    planned,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
