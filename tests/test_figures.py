"""Figures: what is drawn, that nothing is clipped or overlaps, the data beside them, and the bytes."""

import re
import xml.etree.ElementTree as ElementTree
from functools import cache
from itertools import combinations, pairwise

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from matplotlib.colors import to_rgb
from matplotlib.lines import Line2D
from PIL import Image

from jetsim import units
from jetsim.report import figures as fig
from jetsim.report.figures_general import _places, apart
from jetsim.report.figures_sensitivity import tie_groups
from jetsim.report.figures_stream import sixteenths
from jetsim.report.figures_trials import Ranges, range_rows
from jetsim.report.style import COLUMN, PAGE, jetsim_style, legend_outside, new_figure, work_out_layout
from tests import samples
from tests.reports import without_pictures


@cache
def _sample(name, system):
    return samples.DRAWINGS[name](system)


def sample(name, system="us"):
    """A drawing that tests look at and leave as it is."""
    return _sample(name, system)


def texts(plot):
    """All visible, non-empty texts of a figure with their boxes in pixels."""
    figure = plot.figure
    with jetsim_style():
        figure.draw_without_rendering()  # moves ticks, titles and legends to where they are drawn
    renderer = figure.canvas.get_renderer()
    found = [artist for artist in figure.findobj(mpl.text.Text) if artist.get_visible() and artist.get_text().strip()]
    hidden = {id(text) for axes in figure.axes if not axes.get_visible() for text in axes.findobj(mpl.text.Text)}
    return [(text.get_text(), text.get_window_extent(renderer)) for text in found if id(text) not in hidden]


@pytest.mark.parametrize("system", ["us", pytest.param("si", marks=pytest.mark.slow)])
@pytest.mark.parametrize("name", samples.DRAWINGS)
def test_no_text_leaves_the_figure(name, system):
    plot = sample(name, system)
    frame = plot.figure.bbox
    for text, box in texts(plot):
        # Tick labels outside the limits exist but are not drawn; the drawn ones lie within the frame.
        inside = box.x0 >= frame.x0 - 1 and box.x1 <= frame.x1 + 1 and box.y0 >= frame.y0 - 1 and box.y1 <= frame.y1 + 1
        assert inside or not drawn(plot, text), f"{text!r} is clipped"


def drawn(plot, text):
    """Whether a text is more than a tick label beyond its axis."""
    ticks = [label for axes in plot.figure.axes for axis in (axes.xaxis, axes.yaxis) for label in axis.get_ticklabels()]
    return text not in {label.get_text() for label in ticks}


@pytest.mark.parametrize("name", [
    pytest.param(one, marks=[] if one == "share_bars" else pytest.mark.slow) for one in samples.DRAWINGS])  # fmt: skip
def test_saved_files_are_whole_and_the_same_again(name, tmp_path):
    """They carry no title and no caption: documents set them as text, which may change without drawing again."""
    plot, again = (samples.DRAWINGS[name]("us") for _ in range(2))
    for folder in ("first", "second"):
        (tmp_path / folder).mkdir()
    first, embedded = plot.save(tmp_path / "first"), again.svg()
    paths = again.save(tmp_path / "second")
    assert [path.name for path in paths] == [f"sample.{kind}" for kind in ("png", "svg", "pdf", "csv")]
    for path, other in zip(paths, first, strict=True):
        assert path.read_bytes() == other.read_bytes(), path.suffix
    png, svg, pdf, table = paths
    assert svg.read_bytes() == embedded, "saving changed the figure"
    assert png.read_bytes() == plot.png(), "saving changed the figure"
    assert b"<dc:date>" not in embedded
    ElementTree.fromstring(embedded)
    assert pdf.read_bytes().startswith(b"%PDF")
    with Image.open(png) as image:
        assert image.width == pytest.approx(300 * PAGE, abs=2)
        assert np.asarray(image.convert("L")).min() < 100, "the picture is empty"
    assert len(pd.read_csv(table)) > 0
    assert plot.title not in [text for text, _ in texts(plot)]
    assert plot.alternative_text == "Elevation moves reach most. Made-up numbers for a test."


def test_a_quick_picture_has_dots_for_a_screen(tmp_path):
    plot = next(iter(samples.DRAWINGS.values()))("us")
    assert [path.suffix for path in plot.save(tmp_path, quick=True)] == [".png", ".csv"]
    with Image.open(tmp_path / "sample.png") as image:
        assert image.width == pytest.approx(150 * PAGE, abs=2)


@pytest.mark.parametrize("name", samples.DRAWINGS)
def test_places_are_rounded_beyond_the_noise_of_the_layout_solver(name):
    """The solver's last digits depend on addresses in memory: without rounding, files differ now and then."""
    figure = samples.DRAWINGS[name]("us").figure  # drawing moves the axes of a colour bar by their last digits
    places = [axes.get_position(original=True).get_points() for axes in figure.axes]
    places += [inner.bbox_relative.get_points() for inner in figure.subfigs]
    for place in places:
        np.testing.assert_array_equal(place, place.round(9))
        assert (place[1] > place[0]).all()


@pytest.mark.parametrize("name", ["share_bars", "index_bars", "line_bands", "control_effects", "sweep_contour"])
def test_a_figure_can_be_as_wide_as_one_of_two_columns(name, monkeypatch):
    monkeypatch.setattr(samples, "words", lambda: fig.Words("sample", "Title", "Caption.", COLUMN))
    plot = samples.DRAWINGS[name]("us")
    assert plot.figure.get_figwidth() == COLUMN
    frame = plot.figure.bbox
    assert [t for t, box in texts(plot) if drawn(plot, t) and (box.x0 < -1 or box.x1 > frame.x1 + 1)] == []


@pytest.mark.parametrize("name", samples.DRAWINGS)
def test_letters_are_of_one_size(name):
    plot = sample(name)
    assert {text.get_fontsize() for text in plot.figure.findobj(mpl.text.Text) if text.get_text().strip()} == {8.5}


def test_peoples_texts_are_texts(tmp_path):
    """No mathematics between two dollar signs, and no control characters, which would spoil the SVG."""
    odd = "bore for $400\x1b[31m, ball for $90\x00 and $_{$"
    x = np.linspace(3e5, 9e5, 8)
    panel = fig.Panel("flow_rate", [fig.Line(odd, x, x)], [fig.Limit(odd, 5e5)], [fig.Window(odd, 4e5, 5e5)], odd)
    bars = fig.share_bars(fig.Words("bars", odd), fig.Shares(np.ones((1, 1)), [odd], [odd], odd))
    for plot in (fig.line_bands(fig.Words("sample", odd), "nozzle_pressure", [panel]), bars):
        ElementTree.fromstring(plot.svg())
        shown = " ".join(text.replace("\n", " ") for text, _ in texts(plot))
        assert "bore for $400[31m, ball for $90 and $_{$" in shown
        assert "\x1b" not in shown + plot.alternative_text


def test_labels_of_limits_hide_no_curve_and_do_not_overlap():
    x = np.linspace(3e5, 9e5, 8)
    limits = [fig.Limit(f"stated limit, {n} firefighters", value) for n, value in ((1, 267.0), (2, 280.0), (3, 300.0))]
    panel = fig.Panel("reaction_force", [fig.Line("smooth bore", x, x / 2000)], limits)
    plot = fig.line_bands(samples.words(), "nozzle_pressure", [panel, panel])
    for axes in plot.figure.axes:
        # The text alone, without the line that leads to it.
        boxes = [mpl.text.Text.get_window_extent(t, plot.figure.canvas.get_renderer()) for t in axes.texts]
        assert len(boxes) == 3
        assert all(box.x0 > axes.bbox.x1 for box in boxes)
        for one, other in combinations(boxes, 2):
            assert not one.overlaps(other)


@pytest.mark.parametrize(
    ("wanted", "places"),
    [([], []), ([0.5], [0.5]), ([0.1, 0.9], [0.1, 0.9]), ([0.5, 0.5], [0.5, 0.7]), ([0.9, 0.95], [0.8, 1.0]),
     ([1.2], [1.2])],
)  # fmt: skip
def test_labels_are_pushed_apart_no_further_than_needed(wanted, places):
    assert apart(wanted, [0.2] * len(wanted)) == pytest.approx(places)


def test_what_is_surely_nothing_has_no_bar_but_is_counted():
    totals = np.array([[0.9, 0.004, 0.0, 0.0], [0.5, 0.5, 0.02, -0.001]])
    values = samples.indices(totals)
    narrow = values.assign(ST_high=values["ST"] + 0.0005)
    view = samples.index_view(indices=narrow, ranking=None)
    assert view.order("extreme_reach") == ["nozzle_pressure"]
    assert view.others("extreme_reach") == "three others: under 0.5 % each"
    assert view.others("flow_rate") == "one other: under 0.5 %"
    assert samples.index_view(indices=narrow, most=2).others("flow_rate") == "two others: at most 2.1 % each"
    wide = samples.index_view(indices=values)  # an interval that reaches further up is not surely nothing
    assert wide.others("extreme_reach") == ""
    assert "three others: under 0.5 % each" in [text for text, _ in texts(fig.index_bars(samples.words(), view))]


def test_what_has_no_bar_is_told_within_the_figure():
    values = samples.indices(np.array([[0.3, 0.012, 0.011, 0.01]] * 2))
    plot = fig.index_bars(
        samples.words(), samples.index_view(indices=values, labels={"nozzle_pressure": "W" * 15}, most=1)
    )
    told = [box for text, box in texts(plot) if text.startswith("three others: at most")]
    assert len(told) == 2
    assert all(0 <= box.x0 < box.x1 <= plot.figure.bbox.x1 for box in told)


@without_pictures()
def test_zero_bars_are_not_tied():
    flow = fig.index_bars(samples.words(), samples.index_view(indices=samples.indices(
        ((0.2, 0.5, 0.3, 0.001), (0.95, 0.0, 0.0, 0.05))))).figure.axes[1]  # fmt: skip
    assert "tie" not in [text.get_text() for text in flow.texts]


@without_pictures()
def test_a_small_matrix_is_a_sentence():
    two = fig.Matrix(np.array([[np.nan, 0.25], [0.25, np.nan]]), ["wind", "tip"], ["wind", "tip"], "share of both")
    assert fig.heat_map(samples.words(), two).instead == "Share of both: wind with tip 0.25."
    odds = fig.Matrix(np.array([[np.nan, 0.7], [0.3, np.nan]]), ["A", "B"], ["A", "B"], "chance")
    assert fig.heat_map(samples.words(), odds).instead == "Chance: A against B 0.70; B against A 0.30."
    assert sample("heat_map").instead == ""


def test_no_label_of_a_colour_bar_is_cut():
    three = fig.Matrix(np.eye(3), list("ABC"), list("ABC"), "chance that the row reaches farther than the column")
    plot = fig.heat_map(samples.words(), three)
    label = plot.figure.axes[1].yaxis.label
    box = label.get_window_extent(plot.figure.canvas.get_renderer())
    assert plot.figure.bbox.y0 <= box.y0
    assert box.y1 <= plot.figure.bbox.y1


def test_users_own_matplotlib_settings_do_not_matter():
    quiet = samples.DRAWINGS["share_bars"]("us").svg()
    with mpl.rc_context({"font.size": 30, "axes.facecolor": "yellow", "svg.hashsalt": "other"}):
        assert samples.DRAWINGS["share_bars"]("us").svg() == quiet


def luminance(colour):
    return float(np.dot(to_rgb(colour), (0.299, 0.587, 0.114)))


def test_series_differ_without_colour():
    assert len({(look.marker, str(look.line)) for look in fig.SERIES}) == len(fig.SERIES)
    assert len({look.hatch for look in fig.SERIES}) == len(fig.SERIES)
    assert len({(look.marker, look.hatch) for look in fig.ROLES.values()}) == len(fig.ROLES)
    assert all(luminance(look.colour) < 0.75 for look in fig.SERIES), "too pale for white paper"


@pytest.mark.parametrize(("system", "step"), [("us", 20.0), ("si", 5.0)])
def test_ground_marks_stand_every_20_ft_or_5_m(system, step):
    plot = sample("stream_side_view", system)
    axes = plot.figure.axes[0]
    marks = np.sort(np.concatenate([axes.get_xticks(), axes.get_xticks(minor=True)]))
    assert set(np.round(np.diff(np.unique(marks)), 9)) == {step}
    assert axes.get_aspect() == 1.0


def test_side_view_tells_breakup_apex_and_reach_in_one_system():
    joined = " ".join(text for text, _ in texts(sample("stream_side_view")))
    for piece in ("15.1 ft", "88.6 ft", "nine in ten: 78.7 to 98.4", "firefighter, 5 ft 9 in"):
        assert piece in joined
    metric = " ".join(text for text, _ in texts(sample("stream_side_view", "si")))
    assert not re.search(r"\d (ft|in)\b", metric)
    assert not re.search(r"\d m\b", joined)


def test_long_names_over_a_matrix_do_not_run_into_each_other():
    names = [f"effect of disturbance on breakup {number}" for number in range(8)]
    plot = fig.heat_map(fig.Words("m", "t", "c"), fig.Matrix(np.eye(8), names, names, "share"))
    assert texts(plot)
    boxes = [label.get_window_extent() for label in plot.figure.axes[0].get_xticklabels()]
    assert not any(one.overlaps(other) for one, other in pairwise(boxes))


def test_side_view_labels_do_not_overlap():
    boxes = [box for text, box in texts(sample("stream_side_view")) if "\n" in text]
    assert len(boxes) == 3
    for left, right in pairwise(boxes):
        assert left.x1 < right.x0


@pytest.mark.parametrize("changes", [{"target_height": 2.0}, {"target_height": -6.0}, {"nozzle_height": 12.0}])
def test_side_view_of_other_heights(changes):
    plot = fig.stream_side_view(samples.words(), samples.stream_view(**changes))
    low, high = plot.figure.axes[0].get_ylim()
    assert low < float(units.from_si(min(0.0, changes.get("target_height", 0.0)), "ft"))
    assert high > float(units.from_si(changes.get("nozzle_height", 1.0), "ft"))
    assert ("target height" in [text for text, _ in texts(plot)]) == ("target_height" in changes)


def test_side_view_data_has_both_units(tmp_path):
    samples.DRAWINGS["stream_side_view"]("us").save(tmp_path, quick=True)
    read = pd.read_csv(tmp_path / "sample.csv")
    np.testing.assert_allclose(read["path_along [ft]"], units.from_si(read["path_along [m]"], "ft"), rtol=1e-8)
    assert (read["path_height_low [m]"] <= read["path_height_high [m]"]).all()


@without_pictures()
def test_index_bars_are_sorted_and_hold_the_estimates():
    plot = fig.index_bars(samples.words(), samples.index_view())
    reach, flow = plot.figure.axes
    assert [label.get_text() for label in reach.get_yticklabels()] == [
        "elevation", "head or tail wind", "nozzle pressure", "waterway quality",
    ]  # fmt: skip
    widths = [patch.get_width() for patch in flow.patches[:4]]
    assert widths == pytest.approx([0.95, 0.05, 0.02, 0.02])
    assert plot.data["rank"][4:] == ["1", "3 to 4", "3 to 4", "2"]
    assert [text.get_text() for text in flow.texts if text.get_text()] == ["tie"]
    assert not [text for text in reach.texts if text.get_text()]


def many_indices(bars):
    """Indices of outputs, each with so many inputs worth a bar."""
    totals = np.array([[0.5 if n < count else 0.0 for n in range(18)] for count in bars])
    data = {f"{key}{end}": (("output", "parameter"), totals) for key in ("S1", "ST") for end in ("", "_low", "_high")}
    names = [f"an input whose name is long {n}" for n in range(18)]
    return xr.Dataset(data, {"output": [f"output {n}" for n in range(len(bars))], "parameter": names})


@without_pictures()
def test_tall_figures_keep_their_letters_on_paper():
    """A page of Letter leaves 8 inches to a figure with its heading and caption; taller ones are made smaller."""
    found = many_indices([12, 12, 7, 4, 4])
    roles = dict.fromkeys(found["parameter"].values, "unknown")
    bars = fig.index_bars(samples.words(), fig.IndexView(found, roles))
    settled = fig.convergence_lines(
        samples.words(), fig.ConvergenceView(xr.concat([found] * 3, xr.Variable("base_samples", [8, 16, 32])))
    )
    rows = [
        Ranges(f"friction of the hose of the 200-ft preconnect over its stated one {n}", 0, -1, 1) for n in range(30)
    ]
    taught = range_rows(samples.words(), "length", rows, ("before", "", ""))
    matrix = fig.Matrix(
        np.ones((24, 9)),
        ["shutoff by its assumed factor, two breakup regimes, air stream drag"] * 24,
        list("abcdefghi"),
        "share",
    )
    for plot in (bars, settled, taught, fig.heat_map(samples.words(), matrix)):
        assert plot.figure.get_figheight() < 8.7


def test_the_words_of_an_axis_beside_long_labels_stay_within_the_figure():
    rows = [
        Ranges(f"turbulence that the cut-away ball shutoff number {n} makes before the tip", 0, -1, 1)
        for n in range(30)
    ]
    plot = range_rows(
        samples.words(), "away from what was believed, in its standard deviations", rows, ("before", "", "")
    )
    words = plot.figure.axes[0].xaxis.label.get_window_extent()
    assert 0 < words.x0 < words.x1 <= plot.figure.bbox.x1


def test_panels_are_as_tall_as_their_bars():
    found = many_indices([9, 9, 4, 4])
    plot = fig.index_bars(samples.words(), fig.IndexView(found, {}))
    heights = [axes.get_position().height for axes in plot.figure.axes]
    assert heights[2] == pytest.approx(heights[3])
    assert 0.4 < heights[2] / heights[0] < 0.6


def test_a_legend_of_uneven_columns_stays_within_its_figure():
    """Four texts in three columns: the first column has two, not each one or two."""
    figure = new_figure(3.0)
    figure.add_subplot()
    texts = ["median and 90 % of the runs", "steady reaction by the formula, median", "farthest drops",
             "effective reach at the best elevation"]  # fmt: skip
    legend_outside(figure, [Line2D([], []) for _ in texts], texts)
    work_out_layout(figure)
    ends = figure.legends[0].get_window_extent().x0, figure.legends[0].get_window_extent().x1
    assert 0 <= ends[0] < ends[1] <= figure.bbox.x1


def test_a_flat_field_is_drawn_tall_enough_for_its_marks():
    x, y = np.linspace(0.0, 40.0, 41), np.linspace(-1.0, 1.0, 11)
    field = fig.Field("path_along", "path_across", x, y, np.full((10, 40), 1 / 400), "share of the flow in a cell, %")
    axes = fig.shaded_field(samples.words(), field).figure.axes[0]
    assert axes.get_window_extent().height / axes.figure.dpi > 0.8
    assert "stretched" in axes.get_ylabel()


@without_pictures()
def test_negative_estimates_are_drawn_not_clipped():
    plot = fig.index_bars(samples.words(), samples.index_view())
    reach = plot.figure.axes[0]
    assert min(patch.get_width() for patch in reach.patches) == pytest.approx(-0.009)
    assert reach.get_xlim()[0] < -0.009


@without_pictures()
def test_an_output_without_indices_says_why():
    values = samples.indices().assign_coords(reason=("output", ["", "does not vary"]))
    values = values.where(values["output"] == "extreme_reach")
    plot = fig.index_bars(samples.words(), samples.index_view(indices=values))
    shown = " ".join(text.get_text() for text in plot.figure.axes[1].texts).replace("\n", " ")
    assert "no index: does not vary" in shown


@without_pictures()
def test_fewer_bars_but_all_data():
    plot = fig.index_bars(samples.words(), samples.index_view(most=2))
    assert len(plot.figure.axes[0].get_yticks()) == 2
    assert "two others: at most 21.0 % each" in [text.get_text() for text in plot.figure.axes[0].texts]
    assert len(plot.data["parameter"]) == 8


def test_ties_that_do_not_chain():
    """A is tied with B and B with C, but A and C are told apart: two brackets."""
    tied = np.eye(4, dtype=bool)
    tied[0, 1] = tied[1, 0] = tied[1, 2] = tied[2, 1] = True
    assert tie_groups(tied) == [(0, 1), (1, 2)]
    assert tie_groups(np.ones((3, 3), dtype=bool)) == [(0, 2)]
    assert tie_groups(np.eye(3, dtype=bool)) == []


def test_control_effects_share_one_scale_and_take_choices():
    plot = sample("control_effects")
    shown = [axes for axes in plot.figure.axes if axes.get_visible()]
    assert {axes.get_ylim() for axes in shown} == {shown[0].get_ylim()}
    assert [label.get_text() for label in shown[1].get_xticklabels()] == ["two stage", "entrained\nair"]
    assert plot.data["position [US]"][0] == pytest.approx(43.5113, abs=1e-3)
    assert plot.data["position [metric]"][5:] == ["two_stage", "entrained_air"]
    assert plot.data["unit [US]"][:1] == ["psi"]


def test_sweep_is_drawn_the_right_way_round():
    """The sweep's dimensions may come in any order."""
    plot = sample("sweep_contour")
    axes = plot.figure.axes[0]
    assert axes.get_xlabel() == "Nozzle pressure [psi]"
    assert axes.get_ylabel() == "Tip size [in]"
    table = pd.DataFrame(plot.data)
    row = table.iloc[-1]
    assert row["extreme_reach [m]"] == table["extreme_reach [m]"].max()
    assert row["nozzle_pressure [bar]"] == pytest.approx(7.0)
    assert len(table) == 63


def test_sweep_of_a_constant_and_with_gaps():
    sweep = samples.sweep()
    sweep["flow_rate"] = sweep["flow_rate"] * 0 + 0.01
    sweep["extreme_reach"] = sweep["extreme_reach"].where(sweep["nozzle_pressure"] > 3e5)
    plot = fig.sweep_contour(samples.words(), sweep)
    assert len(plot.svg()) > 1000


@pytest.mark.parametrize(
    ("inches", "text"), [(0.9375, "15/16"), (1.125, "1 1/8"), (1.0, "1"), (0.0, "0"), (0.8, "0.8"), (2.5, "2 1/2")]
)
def test_inches_as_the_trade_writes_them(inches, text):
    assert sixteenths(inches) == text


def test_convergence_shows_the_gate_and_the_leaders():
    plot = sample("convergence_lines")
    shown = [text for text, _ in texts(plot)]
    assert "wanted: 0.02" in shown
    assert "elevation" in shown
    assert plot.data["base_samples"][:1] == [8]
    assert len(plot.data["ST"]) == 4 * 2 * 4
    first = pd.DataFrame(plot.data).iloc[0]
    assert (first["output"], first["parameter"], first["ST"]) == ("extreme_reach", "nozzle_pressure", 0.2)


def test_line_bands_keep_one_look_a_label():
    plot = sample("line_bands")
    flow, reaction = plot.figure.axes
    assert flow.get_lines()[0].get_color() == reaction.get_lines()[0].get_color()
    assert reaction.get_lines()[0].get_color() != reaction.get_lines()[1].get_color()
    assert {"one firefighter", "two"} <= {text.get_text() for text in reaction.texts}
    data = pd.DataFrame(plot.data)
    assert data["flow_rate [gpm]"].notna().sum() == 8
    assert data["reaction_force_low [lbf]"].isna().all()


def test_tied_ranks_stand_side_by_side():
    places, ties = _places(np.array([[1.0, 2.0, 2.0, 4.0], [4.0, 3.0, 2.0, 1.0]]))
    np.testing.assert_array_equal(places, [[1, 2, 3, 4], [4, 3, 2, 1]])
    assert ties == [(0, 2.0, 3.0)]


def test_heat_map_marks_what_is_missing():
    assert "–" in [text for text, _ in texts(sample("heat_map"))]


def test_shares_are_written_where_there_is_room():
    shown = [text for text, _ in texts(sample("share_bars"))]
    assert "90 %" in shown
    assert "4 %" not in shown


def test_a_plot_needs_a_file_name():
    with pytest.raises(ValueError, match="no file name"):
        fig.share_bars(fig.Words("Share bars", "title"), samples.shares())
