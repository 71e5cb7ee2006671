"""Work handed to an executor: every study asks for one, and what comes back from afar is the same to the last bit."""

from dataclasses import replace

import numpy as np
import pytest

from jetsim import kept, options, study
from jetsim.equipment.questions import load_question
from jetsim.errors import InputError
from jetsim.experiment import calibration
from jetsim.experiment.calibration import Sampling
from jetsim.kept import Ledger, name_of
from jetsim.staffing import runs as staffing
from jetsim.throws import comparing, learning, model, planning, reading
from jetsim.throws.likelihood import Likelihood
from jetsim.throws.question import CompareQuestion, FieldTestQuestion, field_test
from studies import (
    compare_nozzles,
    fit_the_crew,
    pump_and_crew,
    rank_controls,
    reach_a_target,
    setup_cards,
    teaching_page,
    valve_assumptions,
)
from studies import field_test as script
from tests.samples import Elsewhere
from tests.test_study_fit_the_crew import asked
from tests.test_throws_conditions import sheet_of

INPUTS = compare_nozzles.STUDY.default_inputs.parent
SCRIPTS = (compare_nozzles, fit_the_crew, pump_and_crew, rank_controls, reach_a_target, setup_cards, teaching_page,
           valve_assumptions)  # fmt: skip
STUDIES = [*(script.STUDY for script in SCRIPTS), *(s for name, s in script.COMMANDS.items() if name != "map")]


@pytest.mark.parametrize("one", STUDIES, ids=lambda one: one.name)
def test_every_study_asks_for_the_cluster_it_was_given(one, tmp_path, capsys, monkeypatch):
    def refused(place, workers):
        raise InputError(f"--cluster {place}: asked with {workers}")

    monkeypatch.setattr(options, "cluster", refused)
    argv = ["--quick", "--cluster", "tcp://far:8786", "--workers", "3", "--output", str(tmp_path / "out")]
    assert study.run(one, argv) == 2
    assert capsys.readouterr().err.endswith("error: --cluster tcp://far:8786: asked with 3\n")


def same(one, other):
    """Whether two findings are the same: everything that they hold."""
    return name_of(one) == name_of(other) is not None


def test_crews_are_fitted_elsewhere_to_the_same_bytes():
    given, far = asked(["a", "c"], base_samples=8), Elsewhere()
    found = staffing.find(given, far)
    assert far.pieces == 2 + 2 * 2  # reach of each set-up, then each in both matches
    assert same(found, staffing.find(given))


@pytest.fixture(scope="module")
def test_of_two():
    """The demo's field test on two set-ups."""
    return field_test(load_question(INPUTS / "field_test.toml", FieldTestQuestion, setups=["a", "c"]))


def test_set_ups_are_compared_elsewhere_to_the_same_bytes():
    question = load_question(INPUTS / "compare_nozzles.toml", CompareQuestion, setups=["a", "c"])
    question = replace(question, question=question.question.model_copy(update={"base_samples": 16}))
    test, far = field_test(question), Elsewhere()
    assert same(comparing.compare(test, far), comparing.compare(test))
    assert far.pieces == 2 * 2


def test_a_test_is_planned_elsewhere_to_the_same_bytes(test_of_two):
    far = Elsewhere()
    assert same(planning.make_plan(test_of_two, 64, 64, far), planning.make_plan(test_of_two, 64, 64))
    assert far.pieces == 2 * 2


def test_throws_are_laid_over_what_was_flown_elsewhere(test_of_two):
    values, sheet, far = model.drawn(test_of_two, 16, 1), sheet_of(test_of_two), Elsewhere()
    there, here = (reading.overlay(test_of_two, sheet, values, np.random.default_rng(1), pool) for pool in (far, None))
    assert same(there, here)
    assert far.pieces == 2


SMALL = Sampling(walkers=64, burn=20, steps=70, thin=7)
STAGES = 10 + 3  # that warm up, and that are kept


@pytest.fixture(scope="module")
def learnt(test_of_two):
    """What a small sampler learns here, in peace."""
    return learning.learn(test_of_two, sheet_of(test_of_two), SMALL)


def test_a_test_is_learnt_from_elsewhere_to_the_same_bytes(test_of_two, learnt):
    far = Elsewhere()
    assert same(learning.learn(test_of_two, sheet_of(test_of_two), SMALL, executor=far), learnt)
    assert far.pieces == 2 * (len(learnt.passes) + STAGES)


def test_passes_go_on_until_the_emulator_can_be_trusted(learnt):
    shares = [learnt.emulator_share(emulated) for emulated in learnt.passes]
    assert max(shares[:-1]) > learning.LARGEST_SHARE >= shares[-1]
    assert learnt.trusted
    assert not replace(learnt, passes=learnt.passes[:1]).trusted


def test_a_sampler_that_was_stopped_goes_on_where_it_was_to_the_same_bytes(test_of_two, learnt, tmp_path, monkeypatch):
    """Two groups of walkers in each stage: stopped in the twelfth piece, it takes up eleven."""
    pieces, gone, counted = [], calibration._gone, sheet_of(test_of_two)
    unknowns = {key: prior.distribution for key, prior in test_of_two.priors.items()}
    about = np.zeros(len(unknowns)), np.eye(len(unknowns))

    def sampled():
        likelihood = Likelihood(test_of_two, counted, learnt.emulated)
        return calibration.calibrate(unknowns, likelihood, 1, SMALL, about, test_of_two.ties)

    whole = sampled()

    def stopped(*given):
        pieces.append(given)
        if len(pieces) == 12:
            raise KeyboardInterrupt
        return gone(*given)

    monkeypatch.setattr(calibration, "_gone", stopped)
    for resumed in (False, True):
        ledger = Ledger(tmp_path / "pieces", {}, resumed)
        with kept.keeping(ledger):
            if resumed:
                assert same(sampled(), whole)
            else:
                with pytest.raises(KeyboardInterrupt):
                    sampled()
        ledger.close(remove=False)
    assert len(pieces) == 12 + 2 * STAGES - 11
