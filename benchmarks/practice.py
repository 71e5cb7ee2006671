"""One throw each, as practice tells it without a source, against what the priors predict of one such throw.

Run ``python benchmarks/practice.py``. These are checks that the priors are wide enough: two of them (the equivalent
diameter of a fog stream, and what the eye calls breakup) were widened until all of these throws lay within the 90 %
predictive bands, so that none of them validates anything.
"""

import itertools
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.command import run
from jetsim import units
from jetsim.experiment.distributions import Distribution, LogNormal, Normal, Uniform
from jetsim.hydraulics.nozzle_kinds import FOG_DIAMETER_RANGE, ConstantFlow, Nozzle, SmoothBore
from jetsim.jet.breakup import BREAKUP_SCATTER, EXPONENT_RANGE, OBSERVED_ONSET
from jetsim.jet.drag import DROP_SCATTER, FlightConstants
from jetsim.jet.turbulence import TIP_SHARE, VALVE_STYLES
from jetsim.simulation import simulate
from jetsim.stream import Stream, equivalent_fields
from tests.published import PRACTICE_BREAKUP, PRACTICE_REACH

Array = NDArray[np.float64]

DRAWS = 8192
BAND = (5.0, 95.0)  # percent
PRESSURE, FLOW, TIP = (float(units.to_si(*told)) for told in ((50.0, "psi"), (160.0, "gpm"), (0.875, "in")))
HEIGHT = float(units.to_si(3.5, "ft"))  # of a nozzle held at the hip or under the arm
FOG, BORE, BALL, PLUNGER = "fog", "bore", "full ball", "plunger"

# Shared by all throws of a day on one ground.
SHARED: Mapping[str, Distribution] = {
    "elevation": Uniform(5.0, 10.0),
    "turbulence_constants.tip_share": Uniform(*TIP_SHARE),
    "breakup_constants.turbulence_exponent": Uniform(*EXPONENT_RANGE),
    "flight_constants.quality_exponent": Normal(float(np.asarray(FlightConstants.quality_exponent)), 0.40, 0.0, 2.5),
    "flight_constants.drop_scale": LogNormal(1.0, DROP_SCATTER),
    "observed_onset": LogNormal(*OBSERVED_ONSET),
}
# Each nozzle's own.
OWN: Mapping[str, Distribution] = {
    "clear_turbulence_intensity": LogNormal(0.07, 0.25),
    "breakup_constants.scale": LogNormal(1.0, BREAKUP_SCATTER),
}
# Each throw's own: [deg], [m/s] in light air, and shares and lengths of what is read.
THROW: Mapping[str, Distribution] = {
    "elevation": Normal(0.0, 1.0),
    "wind_along": Normal(0.0, float(units.to_si(3.0, "mph"))),
    "reach_scatter": Normal(0.0, 0.025),
    "reach_reading": Normal(0.0, float(units.to_si(3.0, "ft"))),
    "breakup_scatter": Normal(0.0, 0.10),
    "breakup_reading": Normal(0.0, float(units.to_si(3.0, "ft"))),
}


@dataclass(frozen=True)
class Fact:
    """What practice tells, and the predictive band of one such throw: lengths [m] or ratios [-]."""

    name: str
    told: float
    low: float
    middle: float
    high: float
    is_length: bool

    @property
    def holds(self) -> bool:
        """Whether the told value lies within the band."""
        return self.low <= self.told <= self.high


def drawn(priors: Mapping[str, Distribution], draws: int, rng: np.random.Generator) -> dict[str, Array]:
    """Independent draws, one in each of as many equal parts of a prior."""
    parts = (np.arange(draws) + 0.5) / draws
    return {name: np.asarray(prior.ppf(rng.permutation(parts))) for name, prior in priors.items()}


def throws(draws: int, seed: int) -> dict[str, tuple[Array, Array]]:
    """Read reach and seen breakup [m] of one throw of each set-up, each of shape (draws,).

    Of the fog nozzles the one with the plunger is thrown behind a ball too; another of the same rating, and the bore,
    behind a ball alone.
    """
    rng = np.random.default_rng(seed)
    shared = drawn(SHARED, draws, rng)
    styles = {name: LogNormal(VALVE_STYLES[name].median, VALVE_STYLES[name].ln_sd) for name in (BALL, PLUNGER)}
    upstream = drawn(styles, draws, rng)
    found = {}
    for kind in (FOG, "other fog", BORE):
        nozzle, own = _nozzle(kind, draws, rng), drawn(OWN, draws, rng)
        for style in (BALL, PLUNGER) if kind == FOG else (BALL,):
            found[f"{kind}, {style}"] = _thrown(nozzle, {**own, "valve_upstream_factor": upstream[style]}, shared, rng)
    return found


def _nozzle(kind: str, draws: int, rng: np.random.Generator) -> Nozzle:
    if kind == BORE:
        return SmoothBore(TIP)
    ratio = drawn({"ratio": Uniform(*FOG_DIAMETER_RANGE)}, draws, rng)["ratio"]
    return ConstantFlow(FLOW, PRESSURE, equivalent_diameter_ratio=ratio)


def _thrown(
    nozzle: Nozzle, own: Mapping[str, Array], shared: Mapping[str, Array], rng: np.random.Generator
) -> tuple[Array, Array]:
    throw = drawn(THROW, shared["elevation"].size, rng)
    fields = {name: value for name, value in {**shared, **own}.items() if name != "observed_onset"}
    fields |= {"elevation": shared["elevation"] + throw["elevation"], "wind_along": throw["wind_along"]}
    same = {
        name: np.broadcast_to(v, throw["elevation"].shape) for name, v in equivalent_fields(nozzle, PRESSURE).items()
    }
    stream = Stream.from_values(
        {**fields, **same, "nozzle_height": HEIGHT, "valve_model": "upstream factor", "reach_criterion": "breakup"}
    )
    result = simulate(stream)
    reach = result["extreme_reach"].values * (1 + throw["reach_scatter"]) + throw["reach_reading"]
    seen = shared["observed_onset"] * result["breakup_distance"].values
    return reach, seen * (1 + throw["breakup_scatter"]) + throw["breakup_reading"]


def facts(draws: int = DRAWS, seed: int = 1) -> list[Fact]:
    """Every distance and every ratio of two distances, against the band of one such throw (or pair of throws)."""
    found = throws(draws, seed)
    out = []
    for k, (what, told) in enumerate((("reach", PRACTICE_REACH), ("seen breakup", PRACTICE_BREAKUP))):
        out += [
            _fact(f"{what}: {setup}", units.to_si(value, "ft"), found[setup][k], True)
            for setup, values in told.items()
            for value in values
        ]
    (plunger,), fogs, bores = PRACTICE_REACH.values()
    reach = {setup: both[0] for setup, both in found.items()}
    ball = reach["fog, full ball"]
    out.append(_fact("reach: fog, plunger over full ball", plunger / fogs[0], reach["fog, plunger"] / ball, False))
    out.append(_fact("reach: fog over another fog", fogs[0] / fogs[1], ball / reach["other fog, full ball"], False))
    bore = reach["bore, full ball"]
    out += [
        _fact("reach: fog over bore, full ball", a / b, ball / bore, False) for a, b in itertools.product(fogs, bores)
    ]
    return out


def _fact(name: str, told: float, predicted: Array, is_length: bool) -> Fact:
    low, middle, high = np.percentile(predicted, [BAND[0], 50.0, BAND[1]])
    return Fact(name, float(told), float(low), float(middle), float(high), is_length)


def print_facts(found: list[Fact]) -> None:
    """A line for each fact, lengths in feet."""
    print("Practice without a source, one throw each: two priors were widened to hold these, so they validate nothing")
    print(f"{'what':46s} {'told':>6s} {'5 %':>6s} {'median':>6s} {'95 %':>6s}")
    for fact in found:
        scale = units.FOOT if fact.is_length else 1.0
        shown = " ".join(f"{v / scale:6.3g}" for v in (fact.told, fact.low, fact.middle, fact.high))
        print(f"{fact.name + (' [ft]' if fact.is_length else ''):46s} {shown}  {'within' if fact.holds else 'OUTSIDE'}")


def main() -> int:
    """Print the table."""
    print_facts(facts())
    return 0


if __name__ == "__main__":
    sys.exit(run(main))
