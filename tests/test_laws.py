"""Laws of drag, breakup laws and results that a user adds from outside."""

import subprocess
import sys

import numpy as np
import pytest

from jetsim.errors import InputError
from jetsim.jet.breakup import BREAKUP_MODELS, register_breakup_model
from jetsim.jet.drag import FlightConstants
from jetsim.jet.laws import DRAG_LAWS, Constant, register_law
from jetsim.jet.laws.law import Law
from jetsim.jet.laws.two_stage import TwoStage
from jetsim.quantities import QUANTITIES, Quantity
from jetsim.simulation import register_output, simulate
from jetsim.stream import Stream

# A script as a user would write it: a law with a constant of its own, a result, and their ranking.
SCRIPT = """
from dataclasses import replace
from jetsim.experiment.distributions import Uniform
from jetsim.experiment.ensemble import evaluate, sobol_design
from jetsim.experiment.sensitivity import sobol_indices
from jetsim.experiment.space import Parameter, ParameterSpace
from jetsim.jet.laws import Constant, register_law
from jetsim.jet.laws.law import Law
from jetsim.jet.laws.two_stage import TwoStage
from jetsim.quantities import Quantity
from jetsim.simulation import StreamModel, register_output
thicker = lambda jet, given: TwoStage(jet, replace(given, sphere_drag=0.44 * given.own["thickness"]))
register_law(Law("thick", thicker, "thick air", own={"thickness": Constant(1.0, "thickness of the air", 0.1, 10.0)}))
square = Quantity("square_reach", "", "reach squared", "ratio", "1", "1", "1", role="output")
register_output(square, lambda flown: flown.results["extreme_reach"] ** 2)
ranges = {"flight_constants.thickness": (0.5, 2.0), "elevation": (30.0, 34.0)}
space = ParameterSpace(tuple(Parameter(n, Uniform(*r)) for n, r in ranges.items()),
                       outputs=("square_reach", "extreme_reach"), base_samples=64, replicates=2)
model = StreamModel({"tip_diameter": 0.02, "nozzle_pressure": 3e5, "drag_model": "thick"}, space.outputs)
indices = sobol_indices(evaluate(sobol_design(space), model, progress=False))
print(*indices["ST"].sel(output="square_reach").values.round(4), float(indices["mean"][0]))
"""


@pytest.mark.slow
def test_a_law_and_a_result_of_ones_own_are_ranked():
    done = subprocess.run([sys.executable, "-W", "error", "-c", SCRIPT], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    thickness, elevation, mean = (float(word) for word in done.stdout.split())
    assert thickness > 0.95
    assert elevation < 0.05
    fields = {"tip_diameter": 0.02, "nozzle_pressure": 3e5, "elevation": 32.0, "drag_model": "two_stage"}
    thick, thin = (
        float(simulate(Stream(**fields, flight_constants=FlightConstants(sphere_drag=0.44 * t))).extreme_reach) ** 2
        for t in (2.0, 0.5)
    )
    assert thick < mean < thin


@pytest.mark.parametrize("name", list(DRAG_LAWS))
def test_every_law_says_what_acts_on_it(name):
    """One constant changed at a time, in one call; the first stream has none changed."""
    plain = FlightConstants().members()
    changed = 1 - 0.02 * np.eye(len(plain), len(plain) + 1, 1)
    constants = FlightConstants(**{key: value * row for (key, value), row in zip(plain.items(), changed, strict=True)})
    found = simulate(Stream(tip_diameter=0.02, nozzle_pressure=3e5, wind_along=-3.0, delivery_distance=15.0,
                            drag_model=name, flight_constants=constants))  # fmt: skip
    results = np.array([found[n].values for n in ("extreme_reach", "effective_reach", "delivered_fraction")])
    for number, constant in enumerate(plain, 1):
        acts = not np.array_equal(results[:, number], results[:, 0], equal_nan=True)
        assert acts == (constant in DRAG_LAWS[name].constants), constant


def test_names_that_are_taken_are_refused():
    with pytest.raises(InputError, match="drag law 'vacuum': the name is taken"):
        register_law(Law("vacuum", TwoStage, "none"))
    with pytest.raises(InputError, match=r"flight_constants.k = 3: allowed is 0 to 1"):
        register_law(Law("new", TwoStage, "new", own={"k": Constant(3, "k", 0, 1)}))
    with pytest.raises(InputError, match=r"quantity 'flight_constants.spread': the name is taken"):
        register_law(Law("new", TwoStage, "new", own={"spread": Constant(0.5, "k", 0, 1)}))
    with pytest.raises(InputError, match="quantity 'flow_rate': the name is taken"):
        register_output(QUANTITIES["flow_rate"], lambda flown: flown.results["flow_rate"])
    with pytest.raises(InputError, match="quantity 'new': its role must be 'output'"):
        register_output(Quantity("new", "", "new", "ratio", "1", "1", "1"), lambda flown: flown.results["flow_rate"])
    with pytest.raises(InputError, match="breakup model 'surface': the name is taken"):
        register_breakup_model("surface", BREAKUP_MODELS["surface"])
    assert "new" not in DRAG_LAWS
    assert "flight_constants.k" not in QUANTITIES


def test_a_result_that_is_none_is_refused():
    with pytest.raises(InputError, match="further_results: 'extreme_reich' is no result; did you mean 'extreme_reach'"):
        Stream(tip_diameter=0.02, nozzle_pressure=3e5, further_results=("extreme_reich",))
