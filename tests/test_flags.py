"""What the first paragraph says of runs outside the range of a fit, against counts done by hand."""

import numpy as np
import pytest

from jetsim.findings import outside_sentence
from jetsim.flags import VALIDITY
from jetsim.simulation import simulate
from jetsim.stream import Stream


def flags(count=1000, **shares):
    """Flags of which the first runs carry each bit, as many as its share says."""
    given = np.zeros(count, dtype=np.int16)
    for bit, share in shares.items():
        given[: round(share * count)] |= int(bit.removeprefix("bit"))
    return given


@pytest.mark.parametrize("given", [[], [0, 0], flags(bit4=0.1), flags(bit4=0.1, bit8=0.05)])
def test_a_tenth_of_the_runs_is_not_yet_a_word(given):
    assert outside_sentence(given) == ""


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.101, "In 10 of 100 computed throws "), (0.37, "In 37 of 100 computed throws "),
     (0.999, "In over 99 of 100 computed throws "), (1.0, "In all computed throws ")],
)  # fmt: skip
def test_the_share_is_that_of_runs_with_any_flag(share, words):
    assert outside_sentence(flags(bit4=share, bit8=share / 2)).startswith(words)
    assert outside_sentence(flags(bit4=share).reshape(10, 100)).startswith(words)


def test_every_flag_has_words_of_its_own():
    said = {outside_sentence(np.full(3, bit)) for bit in VALIDITY}
    assert len(said) == len(VALIDITY)
    for word in ("Weber", "turbulence", "validity", "fit"):
        assert not any(word in sentence for sentence in said)


def test_what_is_most_frequent_is_named_first_and_what_is_rare_is_not():
    sentence = outside_sentence(flags(bit4=0.3, bit16=0.6, bit32=0.1, bit8=0.2), "with the fog nozzle")
    assert sentence.startswith("In 60 of 100 computed throws with the fog nozzle breakup and reach are less sure ")
    assert sentence.index("faster or slower") < sentence.index("breaks up earlier")
    assert "flatter or steeper" not in sentence
    assert "thicker or thinner" not in sentence


def test_flags_that_are_rare_one_by_one_count_together():
    apart = np.zeros(100, dtype=int)
    apart[:9], apart[9:17] = 8, 32
    sentence = outside_sentence(apart)
    assert sentence.startswith(
        "In 17 of 100 computed throws breakup and reach are less sure than for throws like those tested, "
        "above all where "
    )
    assert "thicker or thinner" in sentence
    assert "flatter or steeper" not in sentence


@pytest.mark.parametrize(("others", "is_only"), [(0.0, True), (0.05, False), (0.3, False)])
def test_a_reason_stands_for_all_of_the_runs_only_where_all_of_them_carry_it(others, is_only):
    """The share is that of any flag: a reason of fewer runs must not seem to hold in all of them."""
    given = flags(bit32=0.4)
    given[500 : 500 + round(1000 * others)] = 8
    sentence = outside_sentence(given)
    assert sentence.startswith(f"In {40 + 100 * others:.0f} of 100 computed throws ")
    assert ("throws the nozzle is held flatter" in sentence) is is_only
    assert ("tested, above all where the nozzle" in sentence) is not is_only


def test_a_measured_breakup_length_needs_no_breakup_fit():
    stream = {"tip_diameter": 0.022, "nozzle_pressure": 9e5, "clear_turbulence_intensity": 0.2}
    estimated, measured = (int(simulate(Stream(**stream, **own)).validity) for own in ({}, {"breakup_length": 4.4}))
    assert estimated & 3 == 3
    assert measured & 3 == 0


def test_a_fog_stream_is_judged_by_its_own_diameter():
    # 200 diameters of the stream, 100 of the opening; the flight is fitted from 160 to 255.
    stream = {"tip_diameter": 0.04, "nozzle_pressure": 345e3, "breakup_length": 4.0}
    own, opening = (int(simulate(Stream(**stream, equivalent_diameter_ratio=r)).validity) for r in (0.5, 1.0))
    assert own & 12 == 0
    assert opening & 12 == 12
