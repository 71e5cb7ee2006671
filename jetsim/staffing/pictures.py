"""The figure of flow against staffing."""

from collections.abc import Sequence

import numpy as np

from jetsim.hydraulics.crew import HandlingLimits
from jetsim.quantities import UnitSystem
from jetsim.report import display, figures
from jetsim.staffing.runs import Fit, Found, Rig

POINTS, BEYOND = 61, 1.15


def chart(found: Found, system: UnitSystem) -> figures.Plot:
    """Flow along, force up, crew limits as lines, set-ups as curves, reach as labels on them."""
    formulas = dict.fromkeys(fit.crew.limits.formula for fit in found.fits if fit.crew.limits)
    panels = [_panel(found, formula, system) for formula in formulas]
    title = figures.Words(
        "flow_against_staffing",
        _title(found, system),
        "Force by the formula that the limits were stated for, everything at its median. Marks: the highest flow "
        "within each limit and within the stated maxima of nozzle, hose and pump, labelled with the effective reach "
        f"there in {display.unit_label('extreme_reach', system)} (still air, best elevation). The measured excess of "
        "force is not in the curves.",
    )
    return figures.staffing_chart(title, panels, system)


def _title(found: Found, system: UnitSystem) -> str:
    """The highest flow of any set-up for each crew."""
    most = [max(fit.flow for fit in found.fits if fit.crew is crew) for crew in found.crews.values()]
    flows = [display.number(float(display.convert("flow_rate", flow, system))) for flow in most]
    counts = [display.number_words(crew.firefighters) for crew in found.crews.values()]
    unit = display.unit_label("flow_rate", system)
    limits = "limit" if len(counts) == 1 else "limits"
    noun = "firefighter" if counts == ["one"] else "firefighters"
    return f"At most {_listed(flows)} {unit} within the {limits} stated for {_listed(counts)} {noun}"


def _listed(texts: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(texts[:-1]), texts[-1])))


def _panel(found: Found, formula: str, system: UnitSystem) -> figures.Staffing:
    fits = [fit for fit in found.fits if fit.crew.limits and fit.crew.limits.formula == formula]
    crews = list(dict.fromkeys((fit.crew.firefighters, fit.crew.limit or 0.0) for fit in fits))
    limits = fits[0].crew.limits
    assert limits is not None
    top = BEYOND * max(limit for _, limit in crews)
    curves = [_curve(group, [f for f in fits if f.rig in group], (limits, top), system) for group in _alike(found.rigs)]
    lines = [figures.Limit(f"limit stated for {display.people(count)}", limit) for count, limit in crews]
    return figures.Staffing(f"Force by {limits.stated_for}", curves, lines)


def _alike(rigs: Sequence[Rig]) -> list[list[Rig]]:
    """Set-ups whose nozzles give the same force at the same flow: they share a curve."""
    groups: list[list[Rig]] = []
    pressures = np.array([2e5, 4e5, 8e5])
    for rig in rigs:
        own = (rig.flow(pressures), rig.nozzle.handbook_reaction(pressures), rig.nozzle.reaction(pressures))
        for group in groups:
            first = group[0]
            other = (first.flow(pressures), first.nozzle.handbook_reaction(pressures), first.nozzle.reaction(pressures))
            if np.allclose(own, other, rtol=1e-9):
                group.append(rig)
                break
        else:
            groups.append([rig])
    return groups


def _curve(
    group: Sequence[Rig], fits: Sequence[Fit], upto: tuple[HandlingLimits, float], system: UnitSystem
) -> figures.Curve:
    limits, top = upto
    rig = group[0]
    pressure = np.linspace(0.0, 1.0, POINTS) ** 2 * _pressure_of(rig, limits, top)
    pressure[0] = 1.0  # no flow at no pressure; an automatic's law needs some
    label = "; ".join(one.setup.label for one in group)
    crews = {fit.crew.label: fit.crew for fit in fits}.values()
    marks = [_mark([fit for fit in fits if fit.crew is crew], limits, system) for crew in crews]
    return figures.Curve(label, rig.flow(pressure), limits.force(rig.nozzle, pressure), marks)


def _pressure_of(rig: Rig, limits: HandlingLimits, force: float) -> float:
    """Nozzle pressure [Pa] at which the force [N] is reached, on a fine grid: for drawing only."""
    tried = np.geomspace(1e4, 1e7, 2000)
    return float(np.interp(force, limits.force(rig.nozzle, tried), tried))


def _mark(fits: Sequence[Fit], limits: HandlingLimits, system: UnitSystem) -> figures.Mark:
    """A group's highest flow within one limit, with the reaches of its set-ups."""
    one = fits[0]
    ends = [float(display.convert("extreme_reach", pick(f.reach for f in fits), system)) for pick in (min, max)]
    low, high = (f"{end:.0f}" for end in ends)
    text = low if low == high else f"{low} to {high}"
    return figures.Mark(one.flow, float(limits.force(one.rig.nozzle, one.pressure)), text)
