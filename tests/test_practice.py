"""Throws that practice tells of: the priors must be wide enough to hold them, which validates nothing."""

import pytest

from benchmarks import practice
from jetsim import units


@pytest.fixture(scope="module")
def told():
    """What practice tells, with the bands of few draws."""
    return practice.facts(draws=2048)


def test_every_told_throw_lies_within_nine_cases_in_ten(told):
    # Common practice, no source: see tests/published.
    assert len(told) == 6 + 3 + 2 + 6
    assert [fact.name for fact in told if not fact.holds] == []


def test_bands_are_no_wider_than_a_throw_and_its_reading_allow(told):
    """The check could fail: reach within a factor of two, and a plunger 15 % beyond the ball is no common sight."""
    found = {fact.name: fact for fact in told}
    bore = found["reach: bore, full ball"]
    assert bore.high / bore.low < 2.0
    assert found["reach: fog, plunger over full ball"].high < 1.25


def test_narrower_priors_do_not_hold_them(monkeypatch):
    monkeypatch.setattr(practice, "FOG_DIAMETER_RANGE", (0.4, 0.9))
    monkeypatch.setitem(practice.SHARED, "observed_onset", practice.LogNormal(0.8, 0.3))
    outside = {fact.name for fact in practice.facts(draws=2048) if not fact.holds}
    assert {"reach: fog, plunger", "reach: fog over bore, full ball", "seen breakup: bore, full ball"} <= outside


def test_facts_are_printed_in_feet(capsys):
    practice.print_facts([practice.Fact("reach: fog", float(units.to_si(57.0, "ft")), 12.0, 15.0, 17.0, True)])
    lines = capsys.readouterr().out.splitlines()
    assert "validate nothing" in lines[0]
    assert lines[-1].split() == ["reach:", "fog", "[ft]", "57", "39.4", "49.2", "55.8", "OUTSIDE"]
