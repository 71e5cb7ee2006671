"""The one glossary: what the trade calls a thing, a plain sentence that says what it is, and its technical name."""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from jetsim.quantities import QUANTITIES


@dataclass(frozen=True)
class Term:
    """One entry.

    Attributes
    ----------
    trade : str
        What an officer calls it.
    sentence : str
        One plain sentence.
    technical : str
        What the methods call it; empty where it is the same.
    """

    trade: str
    sentence: str
    technical: str = ""


_BARE = Counter(quantity.long_name.partition(" (")[0] for quantity in QUANTITIES.values())


def _technical(name: str) -> str:
    """The long name, without what stands in brackets unless that tells it from another quantity."""
    bare = QUANTITIES[name].long_name.partition(" (")[0]
    return bare if _BARE[bare] == 1 else QUANTITIES[name].long_name


def _quantities(rows: Iterable[tuple[str, str, str]]) -> dict[str, Term]:
    """Terms of quantities: their technical name is the one of the table of quantities."""
    return {name: Term(trade, sentence, _technical(name)) for name, trade, sentence in rows if name in QUANTITIES}


_STREAM = (
    ("tip_diameter", "tip size", "Inside diameter of the opening that the water leaves through."),
    ("nozzle_pressure", "nozzle pressure", "Pressure of the water at the nozzle while it flows."),
    ("pressure_tap", "where the gauge sits", "Whether the pressure is read at the tip or at the base of the tip."),
    ("waterway_diameter", "waterway size", "Inside diameter of the passage that leads to the tip."),
    ("discharge_coefficient", "flow efficiency of the tip", "Flow that a tip gives over the flow of a perfect tip of "
     "its size."),
    ("velocity_coefficient", "speed efficiency of the tip", "Speed of the stream over the speed that its pressure "
     "would give without losses."),
    ("equivalent_diameter_ratio", "how well a fog stream holds together", "Size of the smooth bore that throws like "
     "this straight stream, over the size that its flow would need."),
    ("elevation", "elevation", "Angle at which the nozzle points above the horizontal."),
    ("nozzle_height", "nozzle height", "How high the tip is above the ground."),
    ("target_height", "target height", "How high the point is that the water must reach."),
    ("valve_model", "how the shutoff is reckoned", "Whether a shutoff's disturbance of the stream is given "
     "or worked out from its losses."),
    ("valve_turbulence_factor", "how much the shutoff disturbs the stream", "Disturbance in the water at the tip with "
     "this shutoff over that of a clear waterway; 1 means that the shutoff adds nothing."),
    ("valve_upstream_factor", "stirring of the water by the shutoff", "Disturbance in the water before "
     "the tip with this shutoff over that of a clear waterway; 1 means that the shutoff adds nothing."),
    ("turbulence_constants.tip_share", "the tip's own share of the disturbance", "Part of a clear tip's disturbance "
     "that arises in the tip itself, where no shutoff acts."),
    ("valve_loss_coefficient", "pressure lost in the shutoff", "Pressure that the open shutoff takes, in heads of the "
     "water's speed."),
    ("valve_distance", "distance from shutoff to tip", "How many waterway diameters of passage lie between shutoff and "
     "tip."),
    ("clear_turbulence_intensity", "disturbance of a clear waterway", "How unsteady the water already is at the tip "
     "when nothing stands in its way."),
    ("wind_along", "head or tail wind", "Wind along the throw; a tail wind counts as positive."),
    ("wind_across", "crosswind", "Wind across the throw; towards the thrower's left counts as positive."),
    ("water_temperature", "water temperature", "Temperature of the water, which sets its weight."),
    ("air_temperature", "air temperature", "Temperature of the air, which sets its weight."),
    ("air_pressure", "air pressure", "Pressure of the outside air, which sets its weight."),
    ("breakup_model", "breakup law", "Formula that says how far out the stream breaks up."),
    ("drag_model", "flight law", "Formula that says how the air slows the water down."),
    ("reach_criterion", "rule for effective reach", "What counts as a stream that is still good."),
    ("delivery_distance", "counting distance", "Distance beyond which delivered water is counted."),
    ("breakup_length", "breakup length", "How far the stream flies, along itself, before it breaks up."),
    ("breakup_constants.scale", "how early this stream breaks up", "Breakup length of this stream compared with others "
     "of its kind; below 1 it breaks up earlier."),
    ("breakup_constants.atomization_coefficient", "breakup level", "How far out streams of this kind break up in all."),
    ("breakup_constants.turbulence_exponent", "effect of disturbance on breakup", "How much earlier a "
     "stream breaks up when its water is more disturbed."),
    ("breakup_constants.density_exponent", "effect of thick air on breakup", "How much earlier a stream "
     "breaks up in denser air."),
    ("breakup_constants.surface_coefficient", "breakup level of slow streams", "How far out slow streams break up."),
    ("flight_constants.drop_ratio", "drop size", "Size of the drops that the stream turns into, over the tip size."),
    ("flight_constants.spread", "spread of the air", "How fast the air that flies with the water widens."),
    ("flight_constants.quality_exponent", "gain in flight from a smooth stream", "How much farther water flies "
     "that has held together longer."),
    ("flight_constants.drop_scale", "drop size against the law", "Drop size of this stream compared with what the law "
     "says."),
    ("flight_constants.drop_spread", "mix of drop sizes", "How much the drops of one stream differ in size."),
    ("flight_constants.farthest_share", "which drops the flight law stands for", "Part of the water that is finer than "
     "the drops which fly farthest."),
    ("flight_constants.wind_frame", "what wind does to the air of the stream", "Whether the air that the stream drags "
     "along counts against the wind or against the nozzle; nobody has measured it."),
    ("flight_constants.sphere_drag", "drag of a drop", "How strongly the air slows a drop down."),
    ("flight_constants.diameter_ratio", "drop size in the simple flight law", "Size that acts as the drops' size, over "
     "the tip size."),
    ("flight_constants.breakup_exponent", "gain from late breakup by the simple law", "How much farther water "
     "flies that breaks up later."),
    ("flight_constants.speed_exponent", "effect of speed in the simple flight law", "How the drops' size follows the "
     "speed of the stream."),
    ("turbulence_constants.friction_factor", "roughness of the waterway", "Friction of the passage before the tip."),
    ("turbulence_constants.valve_efficiency", "part of the shutoff's loss that disturbs", "Share of the pressure lost "
     "in the shutoff that turns into unsteady flow."),
    ("turbulence_constants.decay_exponent", "how fast disturbance dies out", "How quickly the water calms down behind "
     "the shutoff."),
    ("turbulence_constants.eddy_size", "size of the eddies", "Size of the eddies behind the shutoff, over the waterway "
     "size."),
    ("turbulence_constants.dissipation_constant", "how fast eddies wear out", "How quickly eddies of one size lose "
     "their motion."),
    ("turbulence_constants.taper_exponent", "calming by the taper", "How much the narrowing tip calms the water."),
)  # fmt: skip
_RESULTS = (
    ("flow_rate", "flow", "Water that leaves the nozzle each minute."),
    ("exit_speed", "stream speed", "Speed of the water as it leaves the tip."),
    ("reaction_force", "nozzle reaction", "Steady push of the flowing nozzle back on the crew; opening, closing and "
     "slipping add to it."),
    ("exit_turbulence_intensity", "disturbance at the tip", "How unsteady the water is as it leaves the tip."),
    ("weber_number", "Weber number", "How strongly the stream's speed tears at its surface."),
    ("breakup_distance", "breakup distance", "How far out, along the ground, the solid stream ends and turns to "
     "drops."),
    ("extreme_reach", "extreme reach", "How far out the farthest drops come down; the useful stream ends well before."),
    ("effective_reach", "effective reach", "How far out the stream still brings most of its water."),
    ("effective_reach_at_best", "effective reach at the best elevation", "How far out the stream still brings most of "
     "its water when it is held at its best angle of at most 10 deg."),
    ("deciding_landing", "landing of the deciding drops", "Where the drops land that end the effective reach; behind "
     "the nozzle in a strong head wind."),
    ("delivered_fraction", "delivered share", "Part of the flow that comes down beyond the counting distance."),
    ("lateral_drift", "sideways drift", "How far the wind carries the water to the side."),
    ("apex_height", "highest point", "How high above the ground the stream rises."),
    ("apex_distance", "distance to the highest point", "How far out the stream is highest."),
    ("flight_time", "flight time", "How long the farthest water is in the air."),
    ("path_along", "distance along the ground", "Distance along the ground from the point below the tip."),
    ("path_across", "distance across", "Distance to the side of the throw."),
    ("path_height", "height", "Height above the ground."),
    ("path_time", "time in the air", "Time since the water left the tip."),
    ("probability_of_reaching", "chance of reaching the target", "In how many of a hundred throws the water reaches "
     "the target."),
)  # fmt: skip
_SUPPLY = (
    ("pump_pressure", "pump pressure", "Pressure at the pump's discharge gauge."),
    ("pump_pressure_error", "gauge error at the pump", "How far the pump's gauge is off."),
    ("nozzle_pressure_error", "how far the nozzle pressure is off", "Pressure at the nozzle above the one meant, or "
     "below it."),
    ("flow_ratio", "flow over the rating", "Flow that the nozzle passes over the one stated for it at that pressure."),
    ("needed_pump_pressure", "pump pressure that is needed", "Pressure at the pump that gives the nozzle its pressure "
     "behind the line as it lies."),
    ("pump_flow", "pump capacity", "Most water that the pump gives each minute."),
    ("hose_diameter", "hose size", "Inside diameter of the hose."),
    ("hose_length", "hose length", "Length of a stretch of hose."),
    ("hose_coefficient", "friction of the hose", "How much pressure this hose takes for a given flow and length."),
    ("coefficient_scatter", "difference between hoses", "How much hoses of one size differ in friction."),
    ("hose_deviation", "friction of this very hose", "How far this hose lies from the stated friction."),
    ("friction_ratio", "friction against the chart", "Friction of the hose over the stated one."),
    ("hazen_williams_coefficient", "smoothness of the hose", "Smoothness in another friction formula; higher is "
     "smoother."),
    ("rise", "rise to the nozzle", "How much higher the nozzle is than the pump."),
    ("loss_coefficient", "loss of an appliance", "Pressure that an appliance takes, in heads of the water's speed."),
    ("kink_loss_coefficient", "loss of kinks", "Pressure that kinks take, in heads of the water's speed."),
    ("stepped_loss", "flat loss of an appliance", "Pressure that an appliance takes above a stated flow."),
    ("threshold_flow", "flow at which the flat loss starts", "Flow above which an appliance takes its flat loss."),
    ("rated_flow", "rated flow", "Flow that the maker states at the rated pressure."),
    ("rated_pressure", "rated pressure", "Nozzle pressure for which the maker states the flow."),
    ("pressure_drift", "drift of an automatic nozzle", "How much an automatic nozzle's pressure moves over its range."),
    ("maximum_pressure", "stated maximum pressure", "Highest pressure that is stated for it."),
    ("tip_wear", "tip wear", "Size of a worn tip over its size when new."),
    ("setting_step", "setting error", "How many settings too high the nozzle stands."),
    ("handling_limit", "stated handling limit", "Nozzle reaction that a stated source gives a crew; not what a crew "
     "can do."),
    ("reaction_excess", "force above the formula", "How much more force was measured on firefighters than the formula "
     "gives."),
    ("friction_loss", "friction loss", "Pressure that the hose takes."),
    ("local_loss", "appliance, kink and shutoff losses", "Pressure that everything but hose and height takes."),
    ("elevation_pressure", "height pressure", "Pressure that lifting the water takes."),
    ("crew_force", "force on the crew", "Nozzle reaction with the measured excess over the formula."),
    ("delivered_pressure", "delivered nozzle pressure", "Nozzle pressure that really arrives."),
)  # fmt: skip
_TRIAL = (
    ("observed_onset", "breakup as the eye sees it", "Where an observer calls the stream broken, over where it is."),
    ("wind_error", "error of the wind reading", "Wind round the stream over the wind that was read beside it."),
    ("gauge_error", "error of the pressure gauge", "How far the pressure gauge of the test is off."),
    ("meter_error", "error of the flowmeter", "How far the flowmeter of the test is off."),
    ("day_effect", "effect of a day", "What a day does to the reach of all its throws."),
    ("style_spread", "difference between shutoffs of one style", "How much shutoffs of one style differ."),
    ("reach_scatter", "scatter of reach", "How much the reach of equal throws differs."),
    ("breakup_scatter", "scatter of seen breakup", "How much the seen breakup of equal throws differs."),
)
_WORDS = {
    "breakup": Term("breakup", "The point where the solid stream ends and turns into drops.", "end of the liquid core"),
    "nine_in_ten": Term("nine in ten", "The range that holds 90 of 100 simulated throws; 5 fall short of it and 5 go "
                        "beyond.", "central 90 % interval"),
    "first_order_share": Term("first-order share", "How much of the spread of a result would go if this one input were "
                              "known exactly.", "first-order Sobol' index"),
    "total_share": Term("total share", "How much of the spread of a result would stay if this one input were the only "
                        "one not known.", "total Sobol' index"),
    "tie": Term("tie", "The runs are too few, or the difference too small, to say which is ahead."),
    "median": Term("median", "The middle value: half of the throws lie above it, half below."),
    "assumption": Term("assumption", "A value that nobody has measured; it is chosen wide and says so."),
    "operating_window": Term("operating window", "Pump pressures at which the target flow and the stated limit are "
                             "both met often enough."),
    "stated_limit": Term("stated limit", "A force that a named source gives for a crew; no statement of what a crew "
                         "can do."),
    "base_samples": Term("base samples", "Number of starting points of the simulated throws; more make the shares "
                         "surer."),
    "interval": Term("95 % interval", "A range that misses the true value in about 5 of 100 studies."),
    "smooth_bore": Term("smooth bore", "A nozzle with a plain round opening and a solid stream."),
}  # fmt: skip
TERMS = {
    **_WORDS,
    **_quantities((*_RESULTS, *_STREAM)),
    **_quantities((f"supply.{name}", trade, sentence) for name, trade, sentence in _SUPPLY),
    **_quantities((f"trial.{name}", trade, sentence) for name, trade, sentence in _TRIAL),
}
# Everyday words that need no explanation where they stand.
_EVERYDAY = {"path_height", "elevation", "tie", "path_along", "path_across", "flow_rate"}


# What a first screen says behind a term, for a reader who does not look further.
_GOOD = "as far as the stream still brings most of its water"
_IN_A_LEAD = {
    "extreme_reach": "where the farthest drops land",
    "effective_reach_at_best": _GOOD,
    "effective_reach": _GOOD,
    "breakup_distance": "where the solid stream ends",
}


def term(name: str) -> Term:
    """Look up a term; a quantity without an entry is called as in the table of quantities.

    Raises
    ------
    ValueError
        Neither a term nor a quantity.
    """
    if name in TERMS:
        return TERMS[name]
    if name in QUANTITIES:
        return Term(_technical(name), "", _technical(name))
    raise ValueError(f"no term {name!r} in the glossary")


def trade(name: str) -> str:
    """What an officer calls it.

    Examples
    --------
    >>> trade("breakup_constants.scale"), trade("nine_in_ten")
    ('how early this stream breaks up', 'nine in ten')
    """
    return term(name).trade


@cache
def _finder(words: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![\w-]){re.escape(words)}(?![\w-])", re.IGNORECASE)


# Technical names that are everyday words where they stand.
_PLAIN = {"", "kinks"}
_NAMES = {name: [(words.lower(), words) for words in dict.fromkeys((entry.trade, entry.technical))
                 if words not in _PLAIN] for name, entry in TERMS.items()}  # fmt: skip


def first_use(name: str, text: str) -> tuple[int, int] | None:
    """Where a text first uses a term by its trade or its technical name; None if it does not."""
    small = text.lower()  # most texts hold few terms, and a plain search says so soonest
    matches = (_finder(words).search(text) for key, words in _NAMES[name] if key in small)
    return min((match.span() for match in matches if match), default=None)


def introduced(sentences: Iterable[str]) -> list[str]:
    """Sentences of a lead with half a sentence behind some terms at their first use.

    Examples
    --------
    >>> introduced(["Extreme reach is long.", "So is extreme reach."])
    ['Extreme reach (where the farthest drops land) is long.', 'So is extreme reach.']
    """
    told: list[str] = []
    met: set[str] = set()
    for sentence in sentences:
        text = sentence
        for name, words in _IN_A_LEAD.items():
            use = _finder(trade(name)).search(text)
            if use and words not in met:
                met.add(words)
                text = text if text.startswith(" (", use.end()) else f"{text[: use.end()]} ({words}){text[use.end() :]}"
        told.append(text)
    return told


def explained(text: str, known: set[str]) -> list[tuple[str, str]]:
    """A text in pieces, each with the sentence that explains it, or with none.

    Parameters
    ----------
    text : str
    known : set of str
        Terms explained so far; those explained here are added.

    Returns
    -------
    list of (str, str)
        The pieces joined are the text. A longer term goes before a shorter one inside it.
    """
    uses = {name: first_use(name, text) for name in TERMS if name not in known and name not in _EVERYDAY}
    spans = sorted((at[0], -at[1], name) for name, at in uses.items() if at and TERMS[name].sentence)
    pieces, end = [], 0
    for start, negative_stop, name in spans:
        if start < end:
            continue
        stop = -negative_stop
        is_told = text.startswith(f" ({_IN_A_LEAD.get(name)})", stop)
        pieces += [(text[end:start], ""), (text[start:stop], "" if is_told else TERMS[name].sentence)]
        end = stop
        known.add(name)
    return [piece for piece in (*pieces, (text[end:], "")) if piece[0]]


def used_in(texts: Iterable[str]) -> list[Term]:
    """Terms that the texts use, in the alphabet's order of their trade names."""
    whole = "\n".join(texts)
    used = [entry for name, entry in TERMS.items() if first_use(name, whole) and name not in _EVERYDAY]
    return sorted(used, key=lambda entry: entry.trade.lower())
