"""Rankings of a stream: outputs that not every stream has."""

import numpy as np
import pytest

from jetsim.errors import InputError
from jetsim.experiment.gate import Gate
from jetsim.experiment.space import ParameterSpace
from jetsim.rankings import question, runs
from jetsim.simulation import StreamModel


def space(outputs, **fixed):
    uniform = {"distribution": "uniform", "role": "controllable", "basis": "assumption", "source": "a guess"}
    return ParameterSpace.from_mapping(
        {
            "title": "t", "units": "us", "seed": 1, "base_samples": 4, "replicates": 2, "outputs": outputs,
            "fixed": {"tip_diameter": "1 in", **fixed},
            "parameters": {
                "nozzle_pressure": uniform | {"low": "40 psi", "high": "60 psi"},
                "elevation": uniform | {"low": "20 deg", "high": "40 deg"},
            },
        }
    )  # fmt: skip


def case_of(outputs, **fixed):
    given = space(outputs, **fixed)
    return question.Case(given, StreamModel(given.fixed, given.outputs))


def test_what_is_delivered_can_be_ranked():
    case = case_of(["effective_reach", "delivered_fraction"], delivery_distance="60 ft")
    question.check_case(case)
    found = runs.results_of(case, None)
    assert found.outputs == ["effective_reach", "delivered_fraction"]
    assert np.isfinite(found.indices["ST"].values).all()
    share = found.sample["delivered_fraction"].values
    assert np.all((share > 0) & (share < 1))
    assert np.corrcoef(share, found.sample["effective_reach"].values)[0, 1] > 0.5


@pytest.mark.parametrize(
    ("outputs", "fixed", "message"),
    [
        (["delivered_fraction"], {}, "delivered_fraction needs delivery_distance: state it in"),
        (["effective_reach"], {"drag_model": "two_stage"}, "effective_reach needs drag_model = 'air_stream'"),
        (
            ["delivered_fraction"],
            {"drag_model": "vacuum", "delivery_distance": "60 ft"},
            "delivered_fraction needs drag_model = 'air_stream'",
        ),
    ],
)
def test_what_a_stream_does_not_say_is_refused(outputs, fixed, message):
    with pytest.raises(InputError, match=message):
        question.check_case(case_of(outputs, **fixed))


@pytest.mark.parametrize(("passed", "size"), [(True, 4), (False, 8)])
def test_base_samples_are_doubled_where_they_do_not_settle_the_order(passed, size, monkeypatch):
    case = case_of(["extreme_reach"])
    monkeypatch.setattr(runs, "gate_of", lambda *_: Gate(passed, {}, {}, (), ""))
    found, results = runs.settled(case, None)
    assert found.space.base_samples == size
    assert results.runs.sizes["sample"] == size * 2 * runs.layouts(case.space)[0].block
