"""Water and air against independent reference libraries and the standard atmosphere."""

from importlib import import_module

import numpy as np
import pytest

from jetsim import media


def reference(library):
    """A reference library, imported where it is asked: one of them reads every fluid when it is."""
    return import_module(library)


@pytest.mark.parametrize("temperature", [1.0, 4.0, 15.0, 15.5556, 20.0, 40.0, 80.0])
def test_water_density_against_iapws_95(temperature):
    # IAPWS-95 through the iapws package.
    expected = reference("iapws").IAPWS95(T=temperature + 273.15, P=0.101325).rho
    assert float(media.water_density(temperature)) == pytest.approx(expected, rel=2e-5)


# Degrees Celsius with N/m, and with Pa s at 101,325 Pa: computed by CoolProp 8.0.0.
SURFACE_TENSION = {5.0: 0.0750082700, 20.0: 0.0728167557, 60.0: 0.0663075767}
AIR_VISCOSITY = {-20.0: 1.62012351e-05, 15.0: 1.79615374e-05, 40.0: 1.91652345e-05}


@pytest.mark.parametrize(("temperature", "expected"), SURFACE_TENSION.items())
def test_surface_tension_against_coolprop(temperature, expected):
    # CoolProp uses a later correlation than IAPWS R1-76; the two differ by 0.11 %.
    assert float(media.water_surface_tension(temperature)) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize(
    ("altitude", "temperature", "pressure", "density"),
    [(0, 15.0, 101325.0, 1.2250), (1000, 8.501, 89876.3, 1.1117), (3000, -4.491, 70121.2, 0.90925)],
)
def test_air_density_against_the_standard_atmosphere(altitude, temperature, pressure, density):
    # US Standard Atmosphere 1976, table I; values from memory.
    assert float(media.air_density(temperature, pressure)) == pytest.approx(density, rel=2e-4)


@pytest.mark.parametrize(("temperature", "expected"), AIR_VISCOSITY.items())
def test_air_viscosity_against_coolprop(temperature, expected):
    assert float(media.air_viscosity(temperature)) == pytest.approx(expected, rel=0.01)


@pytest.mark.slow
def test_what_is_written_here_of_coolprop_is_what_it_computes():
    props = reference("CoolProp.CoolProp").PropsSI
    tension = [props("I", "T", celsius + 273.15, "Q", 0, "Water") for celsius in SURFACE_TENSION]
    viscosity = [props("V", "T", celsius + 273.15, "P", 101325, "Air") for celsius in AIR_VISCOSITY]
    assert tension == pytest.approx(list(SURFACE_TENSION.values()), rel=1e-4)
    assert viscosity == pytest.approx(list(AIR_VISCOSITY.values()), rel=1e-4)


def test_shapes_are_kept():
    grid = np.full((2, 3), 15.0)
    for function in (
        media.water_density,
        media.water_surface_tension,
        media.air_density,
        media.air_viscosity,
    ):
        assert function(grid).shape == (2, 3)
