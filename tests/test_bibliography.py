"""The bibliography: every source that the package names is in it, every citation resolves, nothing is made up."""

import re
from pathlib import Path

import pytest

from jetsim.report.bibliography import BIBLIOGRAPHY, Citations, cite

ROOT = Path(__file__).resolve().parents[1]
# A surname with a year of publication, as docstrings and study files name a source.
NAMED = re.compile(r"\b([A-Z][a-z]+)(?: (?:&|and) [A-Z][a-z]+| et al\.)?(?:'s)?,? \(?((?:18|19|20)\d\d)\b")
NO_SOURCES = {"Seed", "November", "Okabe", "Sobol", "Atmosphere", "Wanner", "Ito", "Braak", "Norsett"}


def test_every_source_named_in_the_package_is_listed():
    years = {(surname, source.year) for source in BIBLIOGRAPHY.values()
             for surname in re.findall(r"[A-Z][a-z]+", source.authors)}  # fmt: skip
    missing = set()
    for path in [*(ROOT / "jetsim").rglob("*.py"), *(ROOT / "studies").rglob("*.toml")]:
        for surname, year in NAMED.findall(path.read_text(encoding="utf-8")):
            if surname not in NO_SOURCES and (surname, year) not in years:
                missing.add((surname, year, path.name))
    assert missing <= {("Chen", "1962", "bibliography.py")}


def test_numbers_follow_the_first_use():
    citations = Citations()
    assert citations.text("A [@holm1979]. B [@morris1991; @holm1979].") == "A [1]. B [2, 1]."
    assert citations.text("Kitamura et al. 2014 say 6/5.") == "Kitamura et al. 2014 [3] say 6/5."
    assert citations.keys == ["holm1979", "morris1991", "kitamura2014"]
    assert citations.references()[0].startswith("Holm, S. (1979)")


@pytest.mark.parametrize(
    ("text", "key"),
    [("fitted to Theobald (1981)", "theobald1981"), ("Theobald 1984, abstract", "theobald1984"),
     ("vertical heights by Lueger's formula", "lueger"), ("Nguyen et al. 2024, Fire Technology", "nguyen2024"),
     ("estimators of Saltelli 2010", "saltelli2010"), ("Murakami & Katayama 1966", "murakami1966"),
     ("Freeman's 3/4-inch tip (1889, from memory)", "freeman1889"), ("Gunn & Kinzer (1949)", "gunn1949")],
)  # fmt: skip
def test_named_sources_are_recognised(text, key):
    citations = Citations()
    citations.text(text)
    assert citations.keys == [key]


@pytest.mark.parametrize("text", ["Theobald", "in 1981 and 1889", "Theobald Street 1989", "the year 2010"])
def test_nothing_else_is_taken_for_a_source(text):
    citations = Citations()
    assert citations.text(text) == text
    assert citations.keys == []


def test_a_citation_of_nothing_is_refused():
    with pytest.raises(ValueError, match="no source 'nobody2020'"):
        Citations().text("As shown [@nobody2020].")


def test_a_reference_says_how_it_was_read():
    for key, entry in BIBLIOGRAPHY.items():
        assert any(word in entry.standing for word in ("read", "from memory")), key
        assert cite([key])[0].endswith(f"[{entry.standing}]")
        assert not entry.doi or re.fullmatch(r"10\.\d{4,5}/\S+", entry.doi), key
    assert "https://doi.org/10.1214/13-STS421" in cite(["cotter2013"])[0]
