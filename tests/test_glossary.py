"""The glossary: every quantity has its trade name and its sentence, and a text explains a term once."""

import pytest

from jetsim.quantities import QUANTITIES
from jetsim.report import glossary
from jetsim.report.style import plain


@pytest.mark.parametrize("name", QUANTITIES)
def test_every_quantity_is_explained(name):
    entry = glossary.TERMS.get(name)
    assert entry is not None, f"{name} has no entry in the glossary: give it a trade name and a plain sentence"
    assert entry.sentence.endswith(".")
    assert entry.sentence[0].isupper()
    assert entry.technical


def test_no_two_things_have_one_name():
    names = [entry.trade for entry in glossary.TERMS.values()]
    assert len(set(names)) == len(names)


def test_trade_names_hold_no_symbols():
    for entry in glossary.TERMS.values():
        assert not set(entry.trade) & set("_()[]=^"), entry.trade


def test_trade_names_fit_two_lines_beside_a_bar():
    assert [entry.trade for entry in glossary.TERMS.values() if plain(entry.trade).count("\n") > 1] == []


def test_a_term_is_explained_at_its_first_use_only():
    known = set()
    first = glossary.explained("The extreme reach is long; extreme reach again.", known)
    assert first[1] == ("extreme reach", glossary.TERMS["extreme_reach"].sentence)
    assert [sentence for _, sentence in first if sentence] == [first[1][1]]
    assert glossary.explained("Extreme reach once more.", known) == [("Extreme reach once more.", "")]


def test_a_lead_says_half_a_sentence_behind_a_term_and_nothing_is_explained_twice():
    given = ["Breakup distance and extreme reach.", "Extreme reach (where the farthest drops land) again."]
    told = glossary.introduced(given)
    assert (
        told[0] == "Breakup distance (where the solid stream ends) and extreme reach (where the farthest drops land)."
    )
    assert told[1] == given[1]
    assert glossary.introduced(told) == told
    (best,) = glossary.introduced(["Effective reach at the best elevation is short."])
    assert best.startswith("Effective reach at the best elevation (as far as the stream still brings most")
    known = set()
    assert [sentence for _, sentence in glossary.explained(told[0], known) if sentence] == []
    assert {"breakup_distance", "extreme_reach"} <= known


def test_pieces_joined_are_the_text():
    text = "Total share and first-order share of breakup distance, nine in ten, and breakups-to-be."
    pieces = glossary.explained(text, set())
    assert "".join(piece for piece, _ in pieces) == text
    assert [piece for piece, sentence in pieces if sentence] == [
        "Total share", "first-order share", "breakup distance", "nine in ten",
    ]  # fmt: skip


def test_technical_names_are_found_too():
    assert "how early this stream breaks up" in [
        entry.trade for entry in glossary.used_in(["breakup length over its correlation"])
    ]
    assert glossary.used_in(["Nothing of the kind."]) == []


def test_an_unknown_term_is_a_mistake():
    with pytest.raises(ValueError, match="no term 'reach_of_imagination'"):
        glossary.trade("reach_of_imagination")


def test_what_two_laws_call_alike_is_told_apart():
    told = [entry.trade for entry in glossary.used_in(["exponent of breakup length (air-stream law)"])]
    assert "gain in flight from a smooth stream" in told
    assert not any("simple law" in trade for trade in told)
