"""Figures: axes, labels, units and data; gaps stay gaps; nothing is told by colour alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import to_rgb

from analysis.checks import run_checks
from analysis.data import Gap, Mark, SessionData
from analysis.findings import Evidence, Expected, Finding, Severity, Verdict
from analysis.load import load
from analysis.plots import Band, look, plot_agreement, plot_timeline, save_figure
from analysis.plots.axes import duration_text, time_axis_label, time_step_s, time_text
from analysis.plots.bands import bands_of
from analysis.plots.series import broken_line, build_series, merge_spans, thin
from obdlog.errors import MissingSignalError


def session(signals, *, marks=(), gaps=()):
    frames = [
        pd.DataFrame({"at_s": np.asarray(at, float), "signal": name, "value": np.asarray(v, float)})
        for name, (at, v) in signals.items()
    ]
    readings = pd.concat(frames).sort_values("at_s", kind="stable").reset_index(drop=True)
    readings.insert(1, "source", pd.Categorical(["7E8"] * len(readings)))
    readings["signal"] = readings["signal"].astype("category")
    return SessionData(
        Path("drive.session.jsonl"), {}, readings, marks=tuple(marks), gaps=tuple(gaps)
    )


def finding(signal="ECT", verdict=Verdict.OUTSIDE, title="Coolant too cold", **evidence):
    return Finding(
        check="c",
        title=title,
        verdict=verdict,
        severity=Severity.WATCH,
        signal=signal,
        measured={"value": 60.0, "unit": "°C", "statistic": "mean"},
        expected=Expected(80.0, 105.0, "°C", "workshop manuals"),
        evidence=Evidence(**{"seconds": 20.0, "samples": 20, "first_s": 30.0, **evidence}),
    )


SAMPLES = Path(__file__).parents[2] / "sample_logs"
SECONDS = np.arange(0.0, 120.0)
PLAIN = {"RPM": (SECONDS, 800 + SECONDS), "ECT": (SECONDS, 60 + SECONDS / 10)}


def texts(figure):
    found = [t.get_text() for t in figure.texts]
    for axes in figure.axes:
        found += [t.get_text() for t in axes.texts]
        found += [axes.get_title("left"), axes.get_title("right"), axes.get_ylabel()]
        if legend := axes.get_legend():
            found += [t.get_text() for t in legend.get_texts()]
    return found


def boxes(axes, hatch=None):
    """Return begin, end, low and high of the filled (or so hatched) stretches of a panel."""
    found = [
        path.get_extents()
        for collection in axes.collections
        if isinstance(collection, PolyCollection) and collection.get_hatch() == hatch
        for path in collection.get_paths()
    ]
    return [(box.x0, box.x1, box.y0, box.y1) for box in found]


def lines_across(axes):
    """Return begin, end and height of the horizontal limit lines of a panel."""
    lines = [c for c in axes.collections if isinstance(c, LineCollection)]
    return [(s[0][0], s[1][0], s[0][1]) for line in lines for s in line.get_segments()]


def drawn_marks(axes):
    """Return the ends of the lines of each artist that draws marks."""
    return [
        [[tuple(map(float, end)) for end in line] for line in found.get_segments()]
        for found in axes.collections
        if isinstance(found, LineCollection) and found.get_zorder() == 2.5
    ]


class TestTimeline:
    def test_each_signal_has_a_panel_with_its_label_and_unit_on_one_time_axis(self):
        figure = plot_timeline(session(PLAIN), ["RPM", "ECT"], title="Town")
        top, bottom = figure.axes
        assert top.get_title("left").endswith("(RPM)")
        assert (top.get_ylabel(), bottom.get_ylabel()) == ("rpm", "°C")
        assert bottom.get_xlabel() == "Time since start [s]"
        assert top.get_xlim() == bottom.get_xlim() == (0.0, 119.0)
        assert "Town" in texts(figure)

    def test_the_line_holds_the_readings(self):
        line = plot_timeline(session(PLAIN), ["RPM"]).axes[0].get_lines()[0]
        np.testing.assert_array_equal(line.get_xdata(), SECONDS)
        np.testing.assert_array_equal(line.get_ydata(), 800 + SECONDS)

    def test_every_panel_states_its_rate(self):
        figure = plot_timeline(session({"RPM": (SECONDS * 2, SECONDS)}), ["RPM"])
        assert "one reading every 2.0 s" in texts(figure)

    def test_height_grows_with_the_panels(self):
        data = session(PLAIN)
        one, two = (plot_timeline(data, names) for names in (["RPM"], ["RPM", "ECT"]))
        assert two.get_figheight() > one.get_figheight() + 1

    def test_signals_of_one_unit_share_a_panel_with_different_dashes(self):
        data = session({"TP": (SECONDS, SECONDS), "APP_D": (SECONDS, SECONDS / 2)})
        axes = plot_timeline(data, [["TP", "APP_D"]]).axes[0]
        assert axes.get_ylabel() == "%"
        styles = {line.get_linestyle() for line in axes.get_lines()}
        assert len(styles) == 2
        assert len(axes.get_legend().get_texts()) == 2

    def test_no_global_state_is_touched(self):
        before = dict(mpl.rcParams)
        plot_timeline(session(PLAIN), ["RPM"])
        assert dict(mpl.rcParams) == before

    @pytest.mark.parametrize(
        ("signals", "error", "says"),
        [
            ([], ValueError, "at least one signal"),
            ([[]], ValueError, "at least one signal"),
            ([["RPM", "ECT"]], ValueError, "different units"),
            (["RPM"] * 30, ValueError, "30 panels"),
            (["MAF"], MissingSignalError, "no readings of MAF"),
        ],
    )
    def test_what_cannot_be_drawn_is_said(self, signals, error, says):
        with pytest.raises(error, match=says):
            plot_timeline(session(PLAIN), signals)

    def test_a_missing_signal_lists_what_there_is(self):
        with pytest.raises(MissingSignalError) as caught:
            plot_timeline(session(PLAIN), ["MAF"])
        assert "ECT, RPM" in caught.value.hint

    def test_a_time_axis_can_be_given_so_that_figures_match(self):
        figure = plot_timeline(session(PLAIN), ["RPM"], span_s=(-10.0, 500.0))
        assert figure.axes[0].get_xlim() == (-10, 500)

    def test_a_single_reading_can_be_drawn(self):
        figure = plot_timeline(session({"RPM": ([5.0], [800.0])}), ["RPM"])
        assert figure.axes[0].get_xlim() == (4.5, 5.5)


class TestGaps:
    AT = np.concatenate([np.arange(0.0, 50.0), np.arange(80.0, 120.0)])

    def test_the_line_is_broken_and_the_gap_hatched_and_labelled(self):
        axes = plot_timeline(session({"RPM": (self.AT, self.AT)}), ["RPM"]).axes[0]
        at_s, value = axes.get_lines()[0].get_data()
        (hole,) = np.flatnonzero(np.isnan(value))
        assert 49 < at_s[hole] < 80
        (patch,) = [p for p in axes.patches if p.get_hatch() == look.GAP_HATCH]
        assert patch.get_x() == pytest.approx(49)
        assert patch.get_x() + patch.get_width() == pytest.approx(80)
        assert "no data 31 s" in texts(axes.figure)

    def test_a_recorded_gap_breaks_the_line_too(self):
        data = session({"RPM": (SECONDS, SECONDS)}, gaps=[Gap(40.2, 40.8, "lost")])
        at_s, value = broken_line(build_series(data, "RPM"))
        (hole,) = np.flatnonzero(np.isnan(value))
        assert 40 < at_s[hole] < 41

    def test_a_slow_signal_without_a_gap_is_not_broken(self):
        data = session({"ECT": (np.arange(0.0, 300.0, 10.0), np.arange(30.0))})
        assert not np.isnan(broken_line(build_series(data, "ECT"))[1]).any()

    def test_a_reading_between_two_gaps_stays_visible(self):
        at = [*range(20), 60.0, *range(100, 120)]
        at = [*at, *range(120, 300)]
        axes = plot_timeline(session({"RPM": (at, at)}), ["RPM"]).axes[0]
        lone = [line for line in axes.get_lines() if line.get_marker() == "o"]
        assert [list(line.get_xdata()) for line in lone] == [[60.0]]

    def test_silence_after_the_last_reading_is_a_gap(self):
        data = session({"RPM": (SECONDS, SECONDS), "ECT": (SECONDS[:60], SECONDS[:60])})
        axes = plot_timeline(data, ["RPM", "ECT"]).axes[1]
        (patch,) = [p for p in axes.patches if p.get_hatch() == look.GAP_HATCH]
        assert (patch.get_x(), patch.get_width()) == (59, 60)

    @pytest.mark.parametrize(
        ("spans", "merged"),
        [
            (((0, 2), (1, 3)), ((0, 3),)),
            (((1, 2), (0, 1)), ((0, 1), (1, 2))),  # a reading at 1 parts them
            (((0, 0), (5, 4)), ()),
            (((0, 9), (2, 3)), ((0, 9),)),
        ],
    )
    def test_spans_merge_only_where_they_overlap(self, spans, merged):
        assert merge_spans(spans) == merged


class TestBandsMarksFindings:
    def test_a_band_is_shaded_between_its_limits_and_names_its_source(self):
        bands = {"ECT": [Band(62.0, 70.0, "workshop manuals")]}
        figure = plot_timeline(session(PLAIN), ["ECT"], bands=bands)
        assert "expected 62 to 70 °C · workshop manuals" in texts(figure)
        assert boxes(figure.axes[0]) == [(0, 119, 62, 70)]
        assert lines_across(figure.axes[0]) == [(0, 119, 62), (0, 119, 70)]

    @pytest.mark.parametrize(
        ("band", "words"),
        [
            (Band(None, 66, "x"), "expected at most 66 °C · x"),
            (Band(66, None, "x"), "expected at least 66 °C · x"),
        ],
    )
    def test_an_open_band_marks_the_wrong_side_of_its_limit_and_fills_nothing(self, band, words):
        figure = plot_timeline(session(PLAIN), ["ECT"], bands={"ECT": [band]})
        axes = figure.axes[0]
        assert words in texts(figure)
        assert lines_across(axes) == [(0, 119, 66)]
        ((_, _, low, high),) = boxes(axes, look.WRONG_SIDE_HATCH)
        assert (low if band.low is None else high) == 66
        bottom, top = axes.get_ylim()
        assert high - low < 0.06 * (top - bottom)
        assert not boxes(axes)

    def test_a_band_covers_only_the_time_in_which_its_condition_held(self):
        seen = Evidence(seconds=30.0, samples=30, first_s=30.0, windows=((30, 40), (80, 100)))
        found = bands_of([replace(finding(), condition="warm-idle", evidence=seen)])
        axes = plot_timeline(session(PLAIN), ["ECT"], bands=found).axes[0]
        assert [box[:2] for box in boxes(axes)] == [(30, 40), (80, 100)]
        assert "expected 80 to 105 °C (warm idle) · workshop manuals" in texts(axes.figure)

    def test_a_long_source_is_wrapped_and_never_cut(self):
        source = "printed workshop tables, " * 12 + "and our own limit"
        bands = {"ECT": [Band(62.0, 70.0, source), Band(None, 68.0, "y")]}
        figure = plot_timeline(session(PLAIN), ["ECT"], bands=bands)
        (label,) = [text for text in texts(figure) if "printed" in text]
        assert " ".join(label.split()) == f"expected 62 to 70 °C · {source}"
        figure.canvas.draw()
        panel = figure.axes[0]
        legend = panel.get_legend().get_window_extent()
        assert legend.x1 <= figure.bbox.x1
        heading = panel._left_title.get_window_extent()
        assert panel.bbox.y1 - 1 <= legend.y0
        assert legend.y1 <= heading.y0 + 1

    def test_a_far_band_does_not_flatten_the_readings_and_is_said_to_be_beyond(self):
        bands = {"ECT": [Band(500, 900, "x")]}
        figure = plot_timeline(session(PLAIN), ["ECT"], bands=bands)
        assert figure.axes[0].get_ylim()[1] < 120
        assert "expected 500 to 900 °C · x · beyond this panel" in texts(figure)

    def test_a_real_drive_shows_the_idle_range_at_idle_only(self):
        # The range is our screening range for a warm idle; the drive's idle is known from VSS = 0.
        data = load(SAMPLES / "airbox-road-test.session.jsonl.gz")
        found = bands_of(run_checks(data))["RPM"]
        axes = plot_timeline(data, ["RPM"], bands={"RPM": found}).axes[0]
        speed = data.samples("VSS")
        assert boxes(axes)
        for start, end, low, high in boxes(axes):
            assert (low, high) == (600, 900)
            assert not speed.between(start + 1, end - 1).value.any()

    def test_marks_run_through_all_panels_with_their_words(self):
        data = session(PLAIN, marks=[Mark(40.0, "jerks $here$\n\x1b[31m"), Mark(999.0, "late")])
        figure = plot_timeline(data, ["RPM", "ECT"])
        for axes in figure.axes:
            assert drawn_marks(axes) == [[[(40.0, 0.0), (40.0, 1.0)]]]
        (words,) = [t for t in texts(figure) if "jerks" in t]
        assert words == "▾ jerks $here$ [31m"
        save_bytes(figure)

    def test_any_number_of_marks_is_one_artist_in_each_panel_and_moves_no_axis(self):
        data = session(PLAIN, marks=[Mark(n / 10, "x") for n in range(200, 400)])
        figure = plot_timeline(data, ["RPM", "ECT"])
        for axes, plain in zip(
            figure.axes, plot_timeline(session(PLAIN), ["RPM", "ECT"]).axes, strict=True
        ):
            (lines,) = drawn_marks(axes)
            assert len(lines) == 200
            assert (axes.get_xlim(), axes.get_ylim()) == (plain.get_xlim(), plain.get_ylim())
        save_bytes(figure)

    def test_marks_close_together_do_not_share_a_row(self):
        data = session(PLAIN, marks=[Mark(40.0, "one"), Mark(41.0, "two")])
        heights = [t.xyann[1] for t in plot_timeline(data, ["RPM"]).axes[0].texts]
        assert len(set(heights)) == 2

    def test_a_finding_marks_its_window_by_hatch_and_words(self):
        axes = plot_timeline(session(PLAIN), ["ECT"], findings=[finding()]).axes[0]
        (patch,) = [p for p in axes.patches if p.get_hatch() == look.OUTSIDE_HATCH]
        assert (patch.get_x(), patch.get_width()) == (30.0, 20.0)
        assert "outside: Coolant too cold" in [t.get_text().strip() for t in axes.texts]

    def test_a_finding_of_several_stretches_marks_each_and_covers_no_reading(self):
        axes = plot_timeline(
            session(PLAIN), ["ECT"], findings=[finding(windows=((30.0, 40.0), (80.0, 90.0)))]
        ).axes[0]
        strips = [p for p in axes.patches if p.get_hatch() == look.OUTSIDE_HATCH]
        assert [(p.get_x(), p.get_width()) for p in strips] == [(30, 10), (80, 10)]
        bottom, top = axes.get_ylim()
        lowest = (PLAIN["ECT"][1].min() - bottom) / (top - bottom)
        assert all(p.get_y() + p.get_height() <= lowest for p in strips)

    def test_a_finding_on_another_signal_or_without_a_moment_marks_nothing(self):
        others = [finding("MAF"), finding(first_s=None), finding(verdict=Verdict.INSIDE)]
        axes = plot_timeline(session(PLAIN), ["ECT"], findings=others).axes[0]
        assert not axes.patches

    def test_bands_come_from_findings_on_the_signals_own_unit(self):
        other_unit = Finding(
            "c", "t", Verdict.OUTSIDE, Severity.WATCH, "MAF", {"value": 1.0, "statistic": "mean"},
            expected=Expected(0.8, 2.0, "ratio", "x"),
        )  # fmt: skip
        spread = replace(finding("VPWR"), measured={"value": 60.0, "statistic": "span"})
        unjudged = finding("IAT", verdict=Verdict.NOT_JUDGED)
        found = bands_of([unjudged, other_unit, spread, finding()])
        assert found == {"ECT": [Band(80.0, 105.0, "workshop manuals")]}

    def test_two_ranges_at_most_that_which_was_left_first(self):
        open_end = replace(finding(verdict=Verdict.INSIDE), expected=Expected(None, 114.0, "°C"))
        inside = replace(open_end, condition="warm-idle", expected=Expected(80.0, 100.0, "°C"))
        (found,) = bands_of([open_end, inside, finding(), open_end]).values()
        assert [(band.low, band.high) for band in found] == [(80, 105), (80, 100)]


class TestThinning:
    def test_few_readings_are_all_kept(self):
        assert thin(SECONDS, SECONDS, 2000).size == SECONDS.size

    def test_extremes_and_ends_of_every_column_survive(self):
        # Error-free line rendering keeps first, last, lowest and highest of each pixel column
        # (Jugel et al., M4, VLDB 2014).
        rng = np.random.default_rng(1)
        at = np.sort(rng.uniform(0, 3600, 50_000))
        value = rng.normal(size=at.size)
        kept = thin(at, value, 100)
        assert kept.size <= 400
        column = np.minimum(((at - at[0]) / (at[-1] - at[0]) * 100).astype(int), 99)
        for number in range(100):
            whole = value[column == number]
            some = value[kept[column[kept] == number]]
            assert (some.min(), some.max()) == (whole.min(), whole.max())
            assert (some[0], some[-1]) == (whole[0], whole[-1])

    def test_readings_at_one_moment_are_kept(self):
        assert thin(np.zeros(50), np.arange(50.0), 10).size == 50

    def test_ten_hours_are_drawn_with_few_points(self):
        at = np.arange(0.0, 36_000.0, 0.1)
        figure = plot_timeline(session({"RPM": (at, np.sin(at))}), ["RPM"])
        assert figure.axes[0].get_lines()[0].get_xdata().size <= 8_000


class TestTimeAxis:
    @pytest.mark.parametrize(
        ("span_s", "step_s", "label", "at_s", "text"),
        [
            (60, 10, "Time since start [s]", 20, "20"),
            (900, 120, "Time since start [min:s]", 605, "10:05"),
            (36_000, 7200, "Time since start [h:min]", 7260, "2:01"),
            (900, 120, "Time since start [min:s]", -30, "−0:30"),
        ],
    )
    def test_unit_and_step_follow_the_length(self, span_s, step_s, label, at_s, text):
        assert time_step_s(span_s) == step_s
        assert time_axis_label(span_s) == label
        assert time_text(at_s, span_s) == text

    @pytest.mark.parametrize(
        ("seconds", "text"),
        [(2.25, "2.2 s"), (62, "62 s"), (125, "2:05 min"), (7260, "2:01 h")],
    )
    def test_lengths_are_short(self, seconds, text):
        assert duration_text(seconds) == text


class TestLook:
    def test_lines_differ_in_lightness_so_that_a_grey_print_keeps_them_apart(self):
        # Relative luminance, IEC 61966-2-1 (sRGB) with the coefficients of ITU-R BT.709.
        def luminance(colour):
            linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
                      for c in to_rgb(colour)]  # fmt: skip
            return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))

        first_three = [luminance(colour) for colour, _ in look.LINES[:3]]
        assert min(abs(a - b) for a in first_three for b in first_three if a != b) > 0.05
        # Contrast of at least 3:1 with white for graphics: WCAG 2.2, 1.4.11.
        assert all(1.05 / (lum + 0.05) >= 3 for lum in first_three)

    def test_every_line_has_its_own_dashes(self):
        assert len({str(dashes) for _, dashes in look.LINES}) == len(look.LINES)


class TestSaving:
    @pytest.mark.parametrize(
        ("suffix", "begins"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".PDF", b"%PDF")]
    )
    def test_the_suffix_says_the_format(self, tmp_path, suffix, begins):
        path = save_figure(plot_timeline(session(PLAIN), ["RPM"]), tmp_path / f"a{suffix}")
        assert path.read_bytes().startswith(begins)

    @pytest.mark.parametrize("name", ["a.jpg", "a"])
    def test_another_suffix_is_refused_in_words(self, tmp_path, name):
        with pytest.raises(ValueError, match=r"written as \.png, \.svg or \.pdf"):
            save_figure(plot_timeline(session(PLAIN), ["RPM"]), tmp_path / name)
        assert not list(tmp_path.iterdir())

    def test_the_same_figure_gives_the_same_bytes(self, tmp_path):
        first, second = (
            save_figure(plot_timeline(session(PLAIN), ["RPM"]), tmp_path / name).read_bytes()
            for name in ("a.svg", "b.svg")
        )
        assert first == second


class TestAgreement:
    def test_axes_carry_both_labels_and_the_unit(self):
        figure = plot_agreement(
            np.array([1.0, 2.0, np.nan]),
            np.array([1.1, 1.9, 5.0]),
            expected_label="Computed",
            measured_label="Measured",
            unit="g/s",
            tolerance=0.15,
        )
        axes = figure.axes[0]
        assert (axes.get_xlabel(), axes.get_ylabel()) == ("Computed [g/s]", "Measured [g/s]")
        assert [len(line.get_xdata()) for line in axes.get_lines()] == [2, 2]
        assert "within ±15 %" in texts(figure)

    @pytest.mark.parametrize(
        ("expected", "measured"), [(np.ones(2), np.ones(3)), (np.array([np.nan]), np.ones(1))]
    )
    def test_nothing_to_compare_is_said(self, expected, measured):
        with pytest.raises(ValueError, match=r"length|both"):
            plot_agreement(expected, measured, expected_label="", measured_label="", unit="")


def save_bytes(figure):
    figure.canvas.draw()
