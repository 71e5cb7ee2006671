"""What the unknowns of a field test are called in reports."""

from jetsim.trials import model
from jetsim.trials.fieldfile import FieldTest

_OWNED = {
    model.FACTOR: "turbulence factor of the {} shutoff",
    model.CD: "discharge coefficient of the {}",
    model.COHERENCE: "coherence of the {}",
    model.HOSE: "hose coefficient of the {}",
    model.DEVIATION: "departure of set-up {}",
}
_SHARED = {
    "drop_scale": "drop size over its law",
    "breakup_scale": "breakup length over its law",
    "breakup_exponent": "how strongly turbulence shortens breakup",
    "clear_turbulence": "turbulence of a clear waterway",
    "air_spread": "spread of the air that the stream drags along",
    "quality_exponent": "how strongly breakup acts on the flight",
    "observed_onset": "what the eye calls breakup",
    "style_spread": "spread of set-ups with one shutoff",
    "gauge_error": "the pressure gauge's error",
    "meter_error": "the flowmeter's error",
    "wind_error": "wind round the stream over the wind as read",
    "reach_scatter": "scatter of reach",
    "breakup_scatter": "scatter of seen breakup",
}


def called(test: FieldTest) -> dict[str, str]:
    """Words for every unknown, by its name; nozzles, shutoffs and lines by their labels."""
    found = dict(_SHARED)
    for setup in test.setups:
        owners = {
            model.FACTOR: (setup.shutoff.name, setup.shutoff.label),
            model.CD: (setup.nozzle.name, setup.nozzle.label),
            model.COHERENCE: (setup.nozzle.name, setup.nozzle.label),
            model.HOSE: (setup.line.name, setup.line.label),
            model.DEVIATION: (setup.name, setup.name.upper()),
        }
        for base, (owner, label) in owners.items():
            found[model.member(base, owner)] = _OWNED[base].format(label)
    return found


_REMEDIES = {
    model.FACTOR: "throw one nozzle behind this shutoff and behind another in the same blocks",
    model.CD: "read that nozzle's flow with a checked flowmeter and a checked gauge",
    model.COHERENCE: "throw that nozzle beside a smooth bore in the same blocks: no instrument reads it",
    model.HOSE: "read the pressure at both ends of the line at a known flow",
    model.DEVIATION: "throw more of that set-up",
    "drop_scale": "throw one smooth bore at two pressures",
    "breakup_scale": "throw one smooth bore at two pressures, with two observers of breakup",
    "breakup_exponent": "throw one nozzle behind shutoffs whose turbulence was measured",
    "clear_turbulence": "throw one nozzle straight on the hose, without a shutoff",
    "air_spread": "throw one smooth bore at two elevations",
    "quality_exponent": "throw one nozzle behind two shutoffs in the same blocks",
    "observed_onset": "have two observers mark breakup of the same throws",
    "style_spread": "throw a second shutoff of the same make",
    "gauge_error": "check the gauge against a second one",
    "meter_error": "check the flowmeter against a tank",
    "wind_error": "read the wind at the height of the stream",
    "reach_scatter": "throw more blocks",
    "breakup_scatter": "throw more blocks",
}


def remedy(unknown: str) -> str:
    """What a department can do on the drill ground to learn an unknown."""
    return _REMEDIES[unknown.partition("[")[0]]
