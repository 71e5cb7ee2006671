"""The white paper: all parts in styles, real tables, captions that count, alternative text, the same bytes again."""

import io
import re
import shutil
import subprocess
import zipfile
from dataclasses import replace

import docx
import numpy as np
import pytest
from docx.enum.section import WD_ORIENT
from docx.oxml.ns import qn

from jetsim.report import widths
from jetsim.report.card import InputLine
from jetsim.report.cautions import CAUTIONS
from jetsim.report.document import Section, Writing, render
from jetsim.report.paper import white_paper
from jetsim.report.tables import Column, Table
from tests import samples
from tests.reports import without_pictures


@pytest.fixture(autouse=True)
def no_pictures():
    """What a figure shows is no matter here."""
    with without_pictures():
        yield


def opened(report):
    return docx.Document(io.BytesIO(white_paper(report)))


def texts(document, style=None):
    return [p.text for p in document.paragraphs if p.text and (style is None or p.style.name == style)]


def wide_table(columns=24):
    names = [f"a rather long heading {number}" for number in range(columns)]
    return Table("wide", "All of it", (Column("nozzle", ["bore", "fog"], "", "Nozzle"),
                                       *(Column(n, [1234.5, 2.5], "", n) for n in names)), "Conditions.")  # fmt: skip


def test_every_part_stands_under_its_heading():
    report = samples.report(methods=("By Theobald (1981).",), rerun={"command": "python studies/x.py", "seed": "0"})
    document = opened(report)
    assert texts(document, "Title") == [report.title]
    assert texts(document, "Subtitle") == [report.subtitle]
    assert texts(document, "Heading 1") == [
        "Summary", "The stream", "Methods", "Limits of this study", "Glossary", "References", "How to run it again",
        "Cautions",
    ]  # fmt: skip
    bullets = texts(document, "List Bullet")
    assert bullets[:2] == list(report.lead)
    assert bullets[-len(CAUTIONS) :] == list(CAUTIONS)
    assert any("20,412 of 180,224 runs (11 %)" in text for text in bullets)
    assert "By Theobald (1981) [1]." in texts(document, "Body Text")
    assert texts(document, "List Number")[0].startswith("Theobald, C. (1981)")


def test_captions_count_by_fields_and_figures_have_alternative_text():
    document = opened(samples.report())
    captions = [p for p in document.paragraphs if p.style.name == "Caption"]
    fields = [p._p.findall(qn("w:fldSimple"))[0].get(qn("w:instr")) for p in captions]
    assert fields == ["SEQ Figure \\* ARABIC", "SEQ Table \\* ARABIC"]
    (shape,) = document.inline_shapes
    assert shape._inline.docPr.get("descr") == "Elevation moves reach most. Made-up numbers for a test."


def test_tables_are_tables_with_the_chosen_unit_first():
    for system, row in (("us", ["45.0", "3.10", "85.3", "26.0"]), ("si", ["3.10", "45.0", "26.0", "85.3"])):
        table = opened(samples.report(units=system)).tables[0]
        assert [cell.text for cell in table.rows[1].cells] == row
        assert table.style.name == "Report Table"
        assert table.rows[0]._tr.trPr.find(qn("w:tblHeader")) is not None


def test_no_column_of_a_wide_table_is_lost():
    report = samples.report(sections=(Section("One", (), (), (wide_table(),)),))
    document = opened(report)
    assert WD_ORIENT.LANDSCAPE in {section.orientation for section in document.sections}
    assert document.sections[-1].orientation == WD_ORIENT.PORTRAIT
    headings = [cell.text for table in document.tables[:3] for cell in table.rows[0].cells]
    assert {f"A rather long heading {number}" for number in range(24)} <= set(headings)
    for table in document.tables[:2]:
        assert table.rows[0].cells[0].text == "Nozzle"
        assert sum(column.width for column in table.columns) <= docx.shared.Inches(9.6)


def test_wide_tables_in_a_row_leave_no_empty_page():
    tables = (wide_table(), replace(wide_table(), name="other"))
    sections = opened(samples.report(sections=(Section("One", (), (), tables),))).sections
    assert [s.orientation for s in sections] == [WD_ORIENT.PORTRAIT, WD_ORIENT.LANDSCAPE, WD_ORIENT.PORTRAIT]


@pytest.mark.parametrize("room", [2.5, 4.0, 7.0])
def test_parts_hold_every_column_once_and_fit(room):
    wanted = list(np.random.default_rng(1).uniform(0.5, 1.2, 13))
    parts = widths.parts(wanted, room)
    assert sorted(n for part in parts for n in part[1:]) == list(range(1, 13))
    assert all(part[0] == 0 and sum(wanted[n] for n in part) <= room for part in parts)


def test_parts_of_a_table_share_its_number():
    table = wide_table(11)
    document = opened(samples.report(sections=(Section("One", (), (), (table,)),)))
    captions = [p for p in document.paragraphs if p.style.name == "Caption"]
    counted = [len(p._p.findall(qn("w:fldSimple"))) for p in captions]
    assert counted == [1, *[0] * (len(captions) - 1)]
    assert len(captions) > 1
    assert {section.orientation for section in document.sections} == {WD_ORIENT.PORTRAIT}
    for number, caption in enumerate(captions, 1):
        whole = "".join(node.text for node in caption._p.iter(qn("w:t")))
        assert whole.startswith(f"Table 1. All of it (part {number} of {len(captions)}).")


@pytest.mark.parametrize("count", [2, 5])
def test_a_table_too_wide_in_both_systems_keeps_the_chosen_one_and_names_its_file(count):
    lengths = [Column(f"c{n}", [1.0, 2.0], "extreme_reach", f"a rather long heading {n}") for n in range(count)]
    table = Table("wide", "All of it", (Column("nozzle", ["bore", "fog"]), *lengths), "Conditions.")
    document = opened(samples.report(units="si", sections=(Section("One", (), (), (table,)),)))
    heads = [cell.text for cell in document.tables[0].rows[0].cells[1:]]
    metric = [f"A rather long heading {n} [m]" for n in range(count)]
    assert len(document.sections) == 1
    assert heads == (metric if count > 2 else [head for m in metric for head in (m, m.replace("[m]", "[ft]"))])
    assert any("tables/wide.csv" in text for text in texts(document, "Caption")) == (count > 2)


def test_same_report_same_bytes():
    first = white_paper(samples.report())
    assert first == white_paper(samples.report())
    with zipfile.ZipFile(io.BytesIO(first)) as packed:
        assert {item.date_time for item in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_nothing_is_formatted_by_hand():
    for paragraph in opened(samples.report()).paragraphs:
        for run in paragraph.runs:
            assert run.font.size is None
            assert run.font.bold is None


def test_peoples_texts_are_texts():
    odd = "a\x00b\x1b <w:p> & $_{$ \ud800"
    card = samples.card(inputs=(InputLine(odd, odd, odd, odd, odd),), fixed={odd: odd})
    report = samples.report(title=odd, lead=(odd,), subtitle=odd, sections=(Section(odd, (odd,)),), card=card)
    assert "ab <w:p> & $_{$ " in texts(opened(report))
    assert "\x00" not in render(report)


def test_every_reference_is_cited_and_every_citation_resolves():
    report = samples.report(lead=("Fitted [@lueger].",), methods=("By Kitamura et al. 2014.",), laws=("drops",),
                            references=("morris1991",))  # fmt: skip
    document = opened(report)
    whole = " ".join(texts(document))
    cited = {int(n) for group in re.findall(r"\[([\d, ]+)\]", whole) for n in group.split(",")}
    assert cited == set(range(1, len(texts(document, "List Number")) + 1))
    assert len(cited) == len(Writing(report).references) == 8
    assert not any(re.search(r"\[\d", text) for text in texts(document, "List Number"))  # no source cites itself
    with pytest.raises(ValueError, match="no source 'nobody'"):
        white_paper(samples.report(lead=("[@nobody]",)))


def footnotes(report) -> list[str]:
    """Texts of the footnotes, after every number in the text has been found to have one."""
    with zipfile.ZipFile(io.BytesIO(white_paper(report))) as packed:
        notes, body = (packed.read(f"word/{part}.xml").decode() for part in ("footnotes", "document"))
    told = {int(n): text for n, text in re.findall(r'<w:footnote w:id="(\d+)".*?<w:t [^>]*>(.*?)</w:t>', notes)}
    assert [int(n) for n in re.findall(r'<w:footnoteReference w:id="(\d+)"', body)] == list(told) != []
    return [text.strip() for text in told.values()]


def test_a_term_is_explained_at_the_foot_of_the_page_of_its_first_use():
    explanation = "Flow efficiency of the tip: flow that a tip gives over the flow of a perfect tip of its size."
    told = footnotes(samples.report(lead=("Flow efficiency of the tip & more.", "The flow efficiency of the tip.")))
    assert told.count(explanation) == 1
    assert told[0] == explanation


def test_a_term_that_a_table_is_the_first_to_use_is_explained_below_it_and_not_again():
    document = opened(samples.report(further=("Extreme reach.",)))
    (note,) = [text for text in texts(document, "Table Note") if "Extreme reach: " in text]
    assert note.endswith("Extreme reach: how far out the farthest drops come down; the useful stream ends well before.")
    assert not any(text.startswith("Extreme reach") for text in footnotes(samples.report(further=("Extreme reach.",))))


@pytest.mark.parametrize("write", [white_paper, render])
def test_figures_and_tables_without_caption_are_refused(write):
    bare = Table("bare", "A title", (Column("a", [1.0]),))
    with pytest.raises(ValueError, match="needs a title and a caption; missing for bare"):
        write(samples.report(sections=(Section("One", (), (), (bare,)),)))


def test_methods_and_limits_say_what_the_card_shows():
    writing = Writing(samples.report(laws=("breakup",)))
    assert "180,224 runs in all, seed 0" in " ".join(writing.methods)
    assert "weakest published number" in writing.methods[0]
    assert "1 of 1 inputs rest on assumptions, not on measurements: wind along the throw." in writing.limits
    measured = samples.card(inputs=(InputLine("tip", "normal", "unknown", "measured", "gauge"),))
    assert not any("assumptions" in text for text in Writing(samples.report(card=measured)).limits)
    with pytest.raises(ValueError, match="no words for the laws"):
        Writing(samples.report(laws=("magic",)))


def test_a_small_figure_becomes_a_sentence():
    plot = replace(samples.report().plots[0], instead="Reach against flow 0.50.")
    report = samples.report(sections=(Section("One", ("First.",), (plot,)),))
    document = opened(report)
    assert "Reach against flow 0.50." in texts(document, "Body Text")
    assert not document.inline_shapes
    assert "Figure 1" not in render(report)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="needs LibreOffice to open the paper")
def test_a_word_processor_opens_it(tmp_path):
    (tmp_path / "paper.docx").write_bytes(white_paper(samples.report()))
    command = ["soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless", "--convert-to", "pdf",
               "--outdir", str(tmp_path), str(tmp_path / "paper.docx")]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    assert (tmp_path / "paper.pdf").read_bytes().startswith(b"%PDF")


def test_the_longest_text_wants_one_line_unless_it_is_very_long():
    lines = [widths.line(["x"] * 8 + ["x" * longest]) for longest in (30, 120)]
    assert lines[0] > 30 * 0.068
    assert lines[0] < lines[1] < 120 * 0.068
    assert widths.line(["x" * 120] * 9) > 120 * 0.068
