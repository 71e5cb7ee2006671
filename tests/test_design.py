"""Designs: SALib's order of runs, powers of two, nested sequences, groups, grids, and layouts that travel."""

import signal
from dataclasses import replace

import numpy as np
import pytest
from SALib.sample import sobol as salib_sample

from jetsim.errors import InputError
from jetsim.experiment.design import (
    EDGE,
    Layout,
    grid_design,
    hypercube_points,
    interrupts_held,
    plain_design,
    sobol_design,
    sobol_layout,
    spawn,
)
from jetsim.experiment.distributions import Choice, Normal, Uniform
from jetsim.experiment.space import Latent, Parameter, ParameterSpace


def unit_space(count=3, **changes):
    options = {"base_samples": 16, "replicates": 4, **changes}
    return ParameterSpace(tuple(Parameter(f"x{i}", Uniform(0, 1)) for i in range(count)), **options)


@pytest.mark.parametrize("second_order", [True, False])
@pytest.mark.parametrize("groups", [None, {"pair": ("x0", "x1")}])
def test_runs_are_ordered_as_salib_orders_them(second_order, groups):
    space = unit_space()
    design = sobol_design(space, rng=7, second_order=second_order, groups=groups)
    problem = {"num_vars": 3, "names": list(space.columns), "bounds": [[0, 1]] * 3}
    if groups:
        problem["groups"] = ["pair", "pair", "x2"]
    seeds = spawn(7, 4)
    expected = [salib_sample.sample(problem, 16, calc_second_order=second_order, seed=seed) for seed in seeds]
    np.testing.assert_allclose(design.unit, np.concatenate(expected) + EDGE, atol=1e-15)


def test_probabilities_are_never_0_or_1_and_replicates_differ():
    design = sobol_design(unit_space(), base_samples=1024)
    assert design.unit.min() >= EDGE
    assert design.unit.max() <= 1 - EDGE
    replicates = design.unit.reshape(4, -1)
    assert not any(np.array_equal(replicates[0], other) for other in replicates[1:])


def test_twice_the_base_samples_contain_the_same_points():
    space = unit_space()
    small, large = sobol_design(space, 16, rng=3), sobol_design(space, 32, rng=3)
    block = small.layout.block
    first = large.unit.reshape(4, 32, block, 3)[:, :16]
    np.testing.assert_array_equal(first.reshape(-1, 3), small.unit)


def test_seeds_zero_is_a_seed_and_equal_seeds_give_equal_designs():
    space = unit_space()
    zero = sobol_design(space, rng=0)
    assert sobol_design(space, rng=0).layout.fingerprint == zero.layout.fingerprint
    assert sobol_design(space).layout.fingerprint == zero.layout.fingerprint  # the space's seed is 0
    assert sobol_design(space, rng=1).layout.fingerprint != zero.layout.fingerprint
    sequence = np.random.SeedSequence(5)
    first = sobol_design(space, rng=sequence).layout.fingerprint
    assert sobol_design(space, rng=sequence).layout.fingerprint == first
    assert sobol_design(space, rng=5).layout.fingerprint == first
    generator = np.random.default_rng(5)
    assert sobol_design(space, rng=generator).layout.fingerprint == first
    assert sobol_design(space, rng=generator).layout.fingerprint != first


@pytest.mark.parametrize("rng", [-1, 1.5, "seed", [1.5]])
def test_impossible_seeds_are_refused(rng):
    with pytest.raises(InputError, match="must be a whole number from 0, a SeedSequence or a Generator"):
        sobol_design(unit_space(), rng=rng)


@pytest.mark.parametrize(("sizes", "message"), [((12, 4), "power of two"), ((16, 1), "replicates = 1")])
def test_sizes_are_refused(sizes, message):
    with pytest.raises(InputError, match=message):
        sobol_design(unit_space(), *sizes)


def test_a_group_moves_together_and_the_rest_alone():
    space = unit_space(4)
    design = sobol_design(space, groups={"a": ("x3", "x0")})
    assert design.layout.factors == {"a": ("x3", "x0"), "x1": ("x1",), "x2": ("x2",)}
    assert design.layout.runs == 16 * 4 * 8 == len(design.unit)
    block = design.unit[:8]
    a, b = block[0], block[-1]
    np.testing.assert_array_equal(block[1], [b[0], a[1], a[2], b[3]])
    np.testing.assert_array_equal(block[4], [a[0], b[1], b[2], a[3]])


@pytest.mark.parametrize(
    ("groups", "message"),
    [
        ({"a": ("y",)}, "group 'a': unknown column 'y'"),
        ({"a": ()}, "group 'a' is empty"),
        ({"a": ("x0",), "b": ("x0", "x1")}, "column 'x0' is named twice, in groups 'a' and 'b'"),
        ({"x2": ("x0", "x1")}, "group 'x2' has the name of a column outside it"),
    ],
)
def test_groups_are_refused(groups, message):
    with pytest.raises(InputError) as caught:
        sobol_design(unit_space(), groups=groups)
    assert message in str(caught.value)


def test_samples_of_latents_and_texts():
    space = ParameterSpace(
        (
            Parameter("x", Normal(0, 1), loadings={"cause": 0.6}),
            Parameter("y", Normal(0, 1), loadings={"cause": 0.8}),
            Parameter("law", Choice(("a", "b"))),
        ),
        (Latent("cause"),),
        base_samples=64,
    )
    design = sobol_design(space)
    assert set(design.samples.data_vars) == {"x", "y", "law"}
    assert set(np.unique(design.samples["law"].values)) == {"a", "b"}
    for name, values in space.transform(design.unit).items():  # the design works each value out once for many runs
        np.testing.assert_array_equal(design.samples[name].values, values, strict=True)
    plain = plain_design(space, 4096)
    assert np.corrcoef(plain.samples["x"], plain.samples["y"])[0, 1] == pytest.approx(0.48, abs=0.01)
    assert plain.layout.runs == 4096
    with pytest.raises(InputError, match=r"runs = 1000: must be a power of two, 4 to 1048576 \(say 512 or 1024\)"):
        plain_design(space, 1000)


def test_layout_survives_json_and_refuses_nonsense():
    layout = sobol_design(unit_space(), groups={"a": ("x0", "x1")}).layout
    assert Layout.from_json(layout.to_json()) == layout
    grid = grid_design(unit_space(), x0=[1, 2]).layout
    assert Layout.from_json(grid.to_json()) == grid
    for text in ("", "{}", "[]", "3"):
        with pytest.raises(InputError, match="layout cannot be read"):
            Layout.from_json(text)


@pytest.mark.parametrize("second_order", [True, False])
@pytest.mark.parametrize("groups", [None, {"pair": ("x0", "x1")}])
def test_a_layout_is_that_of_the_design_before_any_run_is_drawn(second_order, groups):
    space = unit_space()
    layout = sobol_layout(space, 32, 3, second_order, groups)
    assert layout == replace(sobol_design(space, 32, 3, None, second_order, groups).layout, fingerprint="")
    with pytest.raises(InputError, match="allowed is at most 10,000,000"):
        sobol_layout(space, 2**20, 64)
    with pytest.raises(InputError, match="base_samples = 30"):
        sobol_layout(space, 30)


def test_a_grid_holds_the_rest_at_the_median_and_may_sweep_what_is_fixed():
    space = ParameterSpace(
        (Parameter("nozzle_pressure", Uniform(3e5, 5e5)), Parameter("wind_along", Normal(1.0, 2.0))),
        fixed={"tip_diameter": 0.02},
    )
    design = grid_design(space, tip_diameter=[0.02, 0.025, 0.03], nozzle_pressure=[3e5, 4e5])
    assert design.layout.shape == {"tip_diameter": 3, "nozzle_pressure": 2}
    np.testing.assert_array_equal(design.samples["tip_diameter"], np.repeat([0.02, 0.025, 0.03], 2))
    np.testing.assert_array_equal(design.samples["nozzle_pressure"], np.tile([3e5, 4e5], 3))
    np.testing.assert_allclose(design.samples["wind_along"], 1.0)


@pytest.mark.parametrize(
    ("axes", "message"),
    [
        ({}, "one axis or more"),
        ({"nozle_pressure": [1e5]}, "grid axis 'nozle_pressure' is not an input; did you mean 'nozzle_pressure'?"),
        ({"flow_rate": [1.0]}, "is not an input"),
        ({"nozzle_pressure": []}, "must be a list of one value or more"),
        ({"nozzle_pressure": [[1e5]]}, "must be a list of one value or more"),
        ({"nozzle_pressure": [1e5, -1.0]}, "nozzle_pressure = -1 Pa (case 1): allowed is above 0"),
        ({"nozzle_pressure": [float("nan")]}, "nozzle_pressure = nan"),
    ],
)
def test_grids_are_refused(axes, message):
    space = ParameterSpace((Parameter("nozzle_pressure", Uniform(3e5, 5e5)),))
    with pytest.raises(InputError) as caught:
        grid_design(space, **axes)
    assert message in str(caught.value)


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_waits_for_what_must_not_be_cut_short(sign):
    class Stopped(BaseException):
        pass

    def stop(_number, _frame):
        raise Stopped

    before, whole = signal.signal(sign, stop), False
    try:
        with pytest.raises(Stopped), interrupts_held():  # noqa: PT012 - the point is what still runs inside
            signal.raise_signal(sign)
            whole = True
        assert signal.getsignal(sign) is stop
    finally:
        signal.signal(sign, before)
    assert whole
    with interrupts_held():
        pass
    assert signal.getsignal(sign) is before


def test_a_latin_hypercube_has_one_point_in_each_part_of_every_column():
    points = hypercube_points(50, 3, np.random.default_rng(1))
    assert (np.sort(np.floor(points * 50), axis=0) == np.arange(50)[:, None]).all()
    assert np.abs(np.corrcoef(points.T) - np.eye(3)).max() < 0.4
