"""The report: all its parts, in order, escaped, self-contained, the same bytes again."""

import base64
import re
from html.parser import HTMLParser

import pytest

from jetsim.report.cautions import CAUTIONS, printed
from jetsim.report.document import InputLine, Section, ValidityCount, render
from jetsim.report.tables import Column, Table
from tests import samples


class Page(HTMLParser):
    """Visible text, attributes, and whether the tags balance."""

    EMPTY = ("meta", "img", "br", "link", "input", "hr")

    def __init__(self, page):
        super().__init__()
        self.open, self.pieces, self.attributes = [], [], []
        self.feed(page)
        self.close()
        self.text = " ".join(" ".join(self.pieces).split())

    def handle_starttag(self, tag, attrs):
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.pieces.append(data)


def test_every_part_is_there_and_in_order():
    page = Page(render(samples.report()))
    parts = [
        "What controls the reach of this stream?", "The department is invented.",
        "Elevation moves reach most (38 to 44 %).",
        "Wind and valve are a tie.", "The stream", "A paragraph.", "Elevation moves reach most", "Figure 1.",
        "Made-up numbers for a test.", "figures/shares.csv", "Reach along the gauge", "Nozzle pressure", "psi", "bar",
        "45.0", "3.10", "85.3", "26.0", "Table 1.", "tables/reach.csv", "20,412 of 180,224 runs (11 %)", "Report card",
        "What controls reach?", "180,224", "Seed 0", "none", "95 % t-intervals over 16 replicates", "passed: 0.011",
        "extreme reach 0.94", "3 of 40, lowest -0.002", "loss with decay", "wind along the throw", "weather and site",
        "assumption", "light wind on the drill ground", "tip diameter 15/16 in", "Cautions", CAUTIONS[0],
    ]  # fmt: skip
    at = 0
    for part in parts:
        found = page.text.find(part, at)
        assert found >= 0, f"{part!r} is missing or out of order"
        at = found
    assert page.open == []


def test_cautions_are_the_last_lines():
    page = Page(render(samples.report()))
    assert page.text.endswith(CAUTIONS[-1])
    assert [line for line in printed().splitlines() if line.startswith("- ")][-1].startswith(f"- {CAUTIONS[-1][:40]}")


def test_cautions_say_what_must_be_said_and_never_safe():
    joined = " ".join(CAUTIONS).lower()
    for word in ("planning and teaching", "fireground pressure", "hold a line", "steady", "water hammer", "whip",
                 "electrical", "utility", "no fire", "no building", "no extinguishment", "supervision",
                 "marked area", "manufacturer"):  # fmt: skip
        assert word in joined
    assert not re.search(r"\bsafe", joined)
    assert not re.search(r"\d", joined), "no clearance is printed"


def test_the_page_needs_no_other_file():
    page = Page(render(samples.report()))
    for tag, name, value in page.attributes:
        if name in ("src", "href", "srcset", "data", "action"):
            assert value.startswith("data:image/svg+xml;base64,"), f"{tag} {name} = {value[:60]}"
        assert tag not in ("script", "link", "iframe")
    assert not re.search(r"url\(|@import", render(samples.report()))


def test_embedded_figure_is_the_plot():
    report = samples.report()
    uri = re.search(r'src="data:image/svg\+xml;base64,([^"]+)"', render(report))[1]
    assert base64.b64decode(uri) == report.plots[0].svg()
    (uri,) = re.findall(r'src="data:image/png;base64,([^"]+)"', render(report, quick=True))[:1]
    assert base64.b64decode(uri) == report.plots[0].png(quick=True)


def test_same_report_same_text():
    assert render(samples.report()) == render(samples.report())


def test_user_texts_are_escaped():
    nasty = "<script>alert(\"1\")</script> & 'quotes'"
    report = samples.report(
        title=nasty,
        lead=(nasty,),
        notices=(nasty,),
        subtitle=nasty,
        sections=(Section(nasty, (nasty,)),),
        card=samples.card(question=nasty, inputs=(InputLine(nasty, nasty, nasty, nasty, nasty),), fixed={nasty: nasty}),
        validity=(ValidityCount(nasty, 1, 2),),
        provenance={nasty: nasty},
    )
    page = render(report)
    assert "<script" not in page
    assert Page(page).text.count("<script>") == 18


def test_metric_edition_leads_with_metric():
    text = Page(render(samples.report(units="si"))).text
    assert text.index("3.10") < text.index("45.0")


def test_notices_come_before_the_findings():
    text = Page(render(samples.report(notices=("Not converged.",)))).text
    assert text.index("Not converged.") < text.index("Elevation moves reach most (38 to 44 %).")


def test_card_tells_what_is_absent():
    lines = samples.card(structural_alternatives=(), sum_of_first_order={}, failures=12).lines()
    assert lines["Other laws tried"] == "none in this study"
    assert lines["Failed runs"] == "12"
    assert "Sum of first-order indices" not in lines


@pytest.mark.parametrize(("count", "share"), [(0, "0 %"), (1, "under 1 %"), (500, "50 %"), (1000, "100 %")])
def test_small_shares_are_not_shown_as_none(count, share):
    assert ValidityCount("words", count, 1000).share == share


def test_a_cell_keeps_its_unit_on_the_line_of_its_number():
    cells = Column("flow", ["181 gpm", "two set-ups of 150 gpm"], "")
    table = Table("cells", "Cells", (cells,), "Conditions.")
    page = render(samples.report(sections=(Section("One", (), (), (table,)),)))
    assert ">181\N{NO-BREAK SPACE}gpm<" in page
    assert ">two set-ups of 150 gpm<" in page


def test_long_tables_say_what_they_leave_out():
    table = samples.table()
    object.__setattr__(table, "most", 1)
    report = samples.report(sections=(Section("One", (), (), (table,)),))
    assert "The first 1 of 2 rows." in Page(render(report)).text


def test_only_a_table_that_small_letters_do_not_fit_is_printed_on_a_turned_page():
    for count, kind in ((2, "narrow"), (5, "wide"), (12, "wide turned")):
        lengths = [Column(f"c{n}", [1.0, 2.0], "extreme_reach", f"a rather long heading {n}") for n in range(count)]
        table = Table("lengths", "All of it", (Column("nozzle", ["bore", "fog"]), *lengths), "Conditions.")
        page = render(samples.report(sections=(Section("One", (), (), (table,)),)))
        assert f'<table class="{kind}">' in page


def test_style_covers_print_and_narrow_screens():
    page = render(samples.report())
    assert "@media print" in page
    assert "@media (max-width" in page
    assert '<meta name="viewport"' in page
