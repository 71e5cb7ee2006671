"""What the unknowns of a field test are called in reports."""

from jetsim.equipment.spaces import owners_of
from jetsim.quantities import QUANTITIES
from jetsim.throws.question import DAY, DEPARTURE, FieldTest

_WORDS = {
    "valve_upstream_factor": "turbulence that the {} makes before the tip",
    "valve_turbulence_factor": "turbulence factor of the {}",
    "supply.hose_deviation": "friction of the hose of {} over its stated one",
    "supply.flow_ratio": "flow of the {} over its rating",
    "supply.tip_wear": "wear of the {}",
    "equivalent_diameter_ratio": "how well the stream of the {} holds together",
    DEPARTURE: "departure of {} from others with its shutoff",
    "turbulence_constants.tip_share": "share of the turbulence that arises in the tip",
    "flight_constants.drop_scale": "drop size against the law",
    "flight_constants.drop_ratio": "drop size of the flight law",
    "flight_constants.spread": "spread of the air that the stream drags along",
    "flight_constants.quality_exponent": "how strongly breakup acts on the flight",
    "flight_constants.wind_frame": "what wind does to the air that the stream drags along",
    "breakup_constants.scale": "how early streams break up",
    "breakup_constants.turbulence_exponent": "how strongly turbulence shortens breakup",
    "clear_turbulence_intensity": "turbulence of a clear waterway",
    "trial.observed_onset": "what the eye calls breakup",
    "trial.style_spread": "spread of set-ups with one shutoff",
    "trial.gauge_error": "the pressure gauge's error",
    "trial.meter_error": "the flowmeter's error",
    "trial.wind_error": "wind round the stream over the wind as read",
    DAY: "effect of the day {} on reach",
    "trial.reach_scatter": "scatter of reach",
    "trial.breakup_scatter": "scatter of seen breakup",
}


def called(test: FieldTest) -> dict[str, str]:
    """Words for every unknown, by its key; owners by their labels."""
    owners = owners_of(test.inputs.values())
    days = {key: key.partition("[")[2].rstrip("]") for key in test.priors if key.startswith(f"{DAY}[")}
    return {key: _called(key, days.get(key) or _owner_label(test, owners.get(key, ""))) for key in test.priors}


def _called(key: str, owner: str) -> str:
    name = key.partition("[")[0]
    words = _WORDS.get(name, QUANTITIES[name].long_name if name in QUANTITIES else name)
    return words.format(owner) if "{}" in words else f"{words} of the {owner.removeprefix('the ')}" if owner else words


def _owner_label(test: FieldTest, owner: str) -> str:
    kind, _, name = owner.partition(".")
    if kind == "setups":
        return f"set-up {name.upper()}"
    kind = kind.removesuffix("s")
    found = [setup.labels[kind] for setup in test.setups if setup.owners.get(kind) == name]
    noun = " shutoff" if kind == "shutoff" and found and "shutoff" not in found[0] else ""
    return f"{found[0]}{noun}" if found else ""


_REMEDIES = {
    "valve_upstream_factor": "throw one nozzle behind this shutoff and behind another in the same blocks",
    "valve_turbulence_factor": "throw one nozzle behind this shutoff and behind another in the same blocks",
    "discharge_coefficient": "read that nozzle's flow with a checked flowmeter and a checked gauge",
    "supply.flow_ratio": "read that nozzle's flow with a checked flowmeter and a checked gauge",
    "supply.tip_wear": "gauge the tip",
    "tip_diameter": "gauge the tip",
    "velocity_coefficient": "read that nozzle's flow and reaction at one pressure with checked instruments",
    "equivalent_diameter_ratio": "throw that nozzle beside a smooth bore in the same blocks: no instrument reads it",
    "supply.hose_deviation": "read the pressure at both ends of the line at a known flow",
    "breakup_length": "measure breakup of that set-up with two observers",
    DEPARTURE: "throw more of that set-up",
    "turbulence_constants.tip_share": "throw two nozzles behind each of two shutoffs",
    "flight_constants.drop_scale": "throw one smooth bore at two pressures",
    "flight_constants.drop_ratio": "throw one smooth bore at two pressures",
    "flight_constants.spread": "throw one smooth bore at two elevations",
    "flight_constants.quality_exponent": "throw one nozzle behind two shutoffs in the same blocks",
    "flight_constants.wind_frame": "throw one set-up with the wind and against it, the wind read beside the stream",
    "breakup_constants.scale": "throw one smooth bore at two pressures, with two observers of breakup",
    "breakup_constants.turbulence_exponent": "throw one nozzle behind shutoffs whose turbulence was measured",
    "clear_turbulence_intensity": "throw one nozzle straight on the hose, without a shutoff",
    "trial.observed_onset": "have two observers mark breakup of the same throws",
    "trial.style_spread": "throw a second shutoff of the same make",
    "trial.gauge_error": "check the gauge against a second one",
    "trial.meter_error": "check the flowmeter against a tank",
    "trial.wind_error": "read the wind at the height of the stream",
    DAY: "throw one set-up on every day",
    "trial.reach_scatter": "throw more blocks",
    "trial.breakup_scatter": "throw more blocks",
}


def remedy(unknown: str) -> str:
    """What a department can do on the drill ground to learn an unknown."""
    return _REMEDIES.get(unknown.partition("[")[0], "measure it")
