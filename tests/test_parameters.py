"""One uncertain input or latent: what it says about itself, and what it refuses."""

import math

import pytest

from jetsim.errors import InputError
from jetsim.experiment.distributions import Choice, LogNormal, Uniform
from jetsim.experiment.parameters import Latent, Parameter, column_of
from jetsim.units import INCH


def test_the_own_part_is_what_the_latents_leave():
    parameter = Parameter("x", Uniform(0, 1), loadings={"a": 0.6, "b": -0.5})
    assert parameter.explained == pytest.approx(0.61)
    assert parameter.own_weight == pytest.approx(math.sqrt(0.39))
    assert parameter.has_own_part
    assert not Parameter("x", Uniform(0, 1), loadings={"a": 0.6, "b": -0.8}).has_own_part
    assert Parameter("x", Uniform(0, 1)).own_weight == 1.0


def test_in_words():
    tip = Parameter("tip_diameter", Uniform(INCH, 2 * INCH), unit="in")
    assert (tip.long_name, tip.describe()) == ("tip diameter", "uniform 1 to 2 in")
    style = Parameter("valve_turbulence_factor", LogNormal(1.4, 0.2), label="rough")
    assert style.describe() == "rough: lognormal around 1.4, ln sd 0.2"
    assert Parameter("x", Uniform(0, 1)).long_name == "x"
    assert Latent("waterway_quality").long_name == "waterway quality"
    assert Latent("waterway_quality", long_name="waterway").long_name == "waterway"


def test_columns():
    alone, shared = Parameter("x", Uniform(0, 1)), Parameter("y", Uniform(0, 1), loadings={"a": 0.5})
    assert column_of(alone).long_name == "x"
    assert column_of(shared).long_name == "y (own part)"
    assert column_of(Latent("a", "environment", "measured", "a mast", "g")).group == "g"


@pytest.mark.parametrize("make", [Parameter, Latent])
def test_the_pedigree_is_checked(make):
    first = ("x", Uniform(0, 1)) if make is Parameter else ("x",)
    with pytest.raises(InputError, match=r"s\.x\.role = 'boss': must be one of"):
        make(*first, role="boss")
    with pytest.raises(InputError, match=r"s\.x\.source = '': must say where the numbers come from"):
        make(*first, source="")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"role": "boss"}, "parameters.x.role = 'boss': must be one of controllable, environment"),
        ({"basis": "hunch"}, "parameters.x.basis = 'hunch': must be one of measured"),
        ({"source": " "}, "parameters.x.source = ' ': must say where"),
        ({"loadings": {"a": 1.2}}, "parameters.x.loadings.a = 1.2: allowed is -1 to 1, and not 0"),
        ({"loadings": {"a": float("nan")}}, "loadings.a = nan"),
        ({"loadings": {"a": 0.9, "b": 0.9}}, "the squares sum to 1.62, allowed is at most 1"),
        ({"distribution": Choice(("a", "b")), "loadings": {"a": 0.5}}, "texts have no order"),
    ],
)
def test_parameter_refused(changes, message):
    with pytest.raises(InputError) as caught:
        Parameter(**{"name": "x", "distribution": Uniform(0, 1), **changes})
    assert message in str(caught.value)
