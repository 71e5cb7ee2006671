"""Digests: every change is seen, and what holds the values does not matter."""

import hashlib

import numpy as np
import pytest

from jetsim.experiment.design import plain_design
from jetsim.experiment.digests import digest, fingerprint
from tests.closed_forms import uniform_space


def test_digests_see_every_change():
    values = np.array([1.0, 2.0, 3.0])
    assert digest(values) == digest(values.copy()) == digest([1, 2, 3])
    assert digest(values) != digest(values[::-1])
    assert digest(["a", "b"]) == digest(np.array(["a", "b"], dtype=object)) != digest(["b", "a"])
    samples = plain_design(uniform_space(2), 16).samples
    assert fingerprint(samples, ["x0", "x1"]) != fingerprint(samples, ["x1", "x0"])


@pytest.mark.parametrize("kinds", [1, 3, 20, 21, 300])
def test_digest_of_texts_sees_every_change_however_they_are_held(kinds):
    """The digest travels in results files: texts joined one by one, whatever holds them and however few differ."""
    names = [f"law_{'x' * (n % 7)}{n}" for n in range(kinds)]
    texts = np.array(names)[np.random.default_rng(kinds).integers(0, kinds, 500)]
    plain = hashlib.sha256("\0".join([str(text) for text in texts]).encode()).hexdigest()[:32]
    assert (
        digest(texts) == digest(texts.astype(object)) == digest(texts.tolist()) == digest(texts.astype("U40")) == plain
    )
    for place in (0, 250, 499):
        changed = texts.astype("U40")
        changed[place] = "another"
        assert digest(changed) != plain
    assert digest(texts[1:]) != plain
    assert digest(np.array([], dtype="U3")) == digest(np.array([], dtype=object))


def test_digest_of_a_table_is_that_of_its_numbers():
    table = np.random.default_rng(0).random((6, 4))
    plain = hashlib.sha256(table.tobytes()).hexdigest()[:32]
    assert digest(table) == digest(table.astype(">f8")) == digest(np.asfortranarray(table)) == plain
    assert digest(table.T) != plain
