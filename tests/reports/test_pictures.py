"""Pictures follow from the result's type, change nothing, and save to the same bytes."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from analysis.rates import event_rates
from analysis.thresholds import MIN_CASES_FOR_MEDIAN
from registry.errors import DataError, InputError, NotWritableError, OptionError
from reports import draw, save
from reports.alternatives import alternative
from reports.cautions import PICTURE_MARK
from reports.pictures.curves import draw_curves
from reports.pictures.style import marked, saved
from reports.protocols import PROTOCOL_TIMES
from reports.wording import label

KINDS = ["bars", "heat", "forest", "stratified", "curves", "one_curve", "survival", "rates", "incidence"]


def texts(figure: Figure) -> set[str]:
    axes = figure.axes[0]
    return {text.get_text() for text in axes.texts} | {label.get_text() for label in axes.get_yticklabels()}


@pytest.mark.parametrize("kind", KINDS)
def test_every_type_is_drawn_and_left_unchanged(results: dict[str, Any], kind: str) -> None:
    result = results[kind]
    before = {name: frame.copy() for name, frame in vars(result).items() if isinstance(frame, pd.DataFrame)}
    figure = draw(result)
    assert isinstance(figure, Figure)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(getattr(result, name), frame)


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_written_outside_the_figure(results: dict[str, Any], kind: str) -> None:
    figure = draw(results[kind])
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    width, height = figure.canvas.get_width_height()
    axes = figure.axes[0]
    written = [*axes.texts, *axes.get_xticklabels(), *axes.get_yticklabels(), axes.xaxis.label, axes.yaxis.label]
    for text in written:
        if not text.get_text() or not text.get_visible():
            continue
        box = text.get_window_extent(renderer)
        assert box.x0 >= -1, text.get_text()
        assert box.y0 >= -1, text.get_text()
        assert box.x1 <= width + 1, text.get_text()
        assert box.y1 <= height + 1, text.get_text()


@pytest.mark.parametrize("kind", KINDS)
def test_no_two_texts_overlap(results: dict[str, Any], kind: str) -> None:
    figure = draw_curves(results[kind], references=PROTOCOL_TIMES) if kind == "curves" else draw(results[kind])
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    axes = figure.axes[0]
    shown = [text for text in [*axes.texts, *axes.get_yticklabels(), axes.xaxis.label] if text.get_text()]
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in shown]
    for place, (words, box) in enumerate(boxes):
        for others, other in boxes[place + 1 :]:
            overlap_x = min(box.x1, other.x1) - max(box.x0, other.x0)
            overlap_y = min(box.y1, other.y1) - max(box.y0, other.y0)
            assert overlap_x < 1 or overlap_y < 2, (words, others)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("file_type", ["svg", "png", "pdf"])
def test_the_same_picture_has_the_same_bytes(results: dict[str, Any], kind: str, file_type: str) -> None:
    first, second = (saved(draw(results[kind]), kind=file_type) for _ in range(2))
    assert first == second
    assert b"<dc:date>" not in first


def test_bars_show_counts_with_their_denominator(results: dict[str, Any]) -> None:
    result = results["bars"]
    ring = result.table.set_index("digit").loc["ring"]
    shown = texts(draw(result, picture="bars"))
    assert f"{int(ring['n'])} of 80" in shown
    assert {"ring", "thumb", "little"} <= shown


def test_heat_shows_every_count(results: dict[str, Any]) -> None:
    result = results["heat"]
    shown = [text.get_text() for text in draw(result).axes[0].texts]
    counted = result.table.loc[result.table["n"] > 0, "n"]
    assert sorted(int(text) for text in shown if text.isdigit()) == sorted(counted)


def test_forest_has_a_log_axis_and_names_its_reference(results: dict[str, Any]) -> None:
    figure = draw(results["forest"])
    assert figure.axes[0].get_xscale() == "log"
    assert "open hand (reference)" in texts(figure)
    assert "open hand" in figure.axes[0].get_xlabel()


def test_a_pooled_ratio_is_drawn_before_the_crude_one(results: dict[str, Any]) -> None:
    assert "Mantel-Haenszel" in draw(results["stratified"]).axes[0].get_xlabel()


def test_return_curves_show_the_share_back(results: dict[str, Any]) -> None:
    result = results["one_curve"]
    axes = draw(result).axes[0]
    assert "share back" in axes.get_ylabel()
    drawn = np.asarray(axes.lines[0].get_ydata(), dtype=float)
    assert drawn[0] == 0
    np.testing.assert_allclose(drawn[1:], 1 - result.table["estimate"])


def test_survival_curves_show_the_share_without_the_event(results: dict[str, Any]) -> None:
    result = results["survival"]
    axes = draw(result).axes[0]
    drawn = np.asarray(axes.lines[0].get_ydata(), dtype=float)
    np.testing.assert_allclose(drawn[1:], result.table["estimate"])
    assert "(S)" in axes.get_ylabel()


def test_the_at_risk_table_stands_under_its_ticks(results: dict[str, Any]) -> None:
    result = results["one_curve"]
    axes = draw(result).axes[0]
    at_risk = result.shares_back.set_index("day")["at_risk"]
    placed = {text.get_position()[0]: text.get_text() for text in axes.texts if text.get_text().isdigit()}
    assert {day: int(placed[day]) for day in at_risk.index} == at_risk.to_dict()


def test_groups_differ_in_colour_and_in_line_style(results: dict[str, Any]) -> None:
    result = results["curves"]
    large = result.groups["n"] >= MIN_CASES_FOR_MEDIAN
    drawn = draw(result).axes[0].lines[: int(large.sum())]
    assert len(drawn) > 2
    assert len({line.get_color() for line in drawn}) == len(drawn)
    assert len({str(line._unscaled_dash_pattern) for line in drawn}) == len(drawn)  # type: ignore[attr-defined]


def test_protocol_times_are_labelled_as_no_observed_courses(results: dict[str, Any]) -> None:
    shown = texts(draw_curves(results["curves"], references=PROTOCOL_TIMES))
    assert any("rehabilitation protocols" in words and "not observed courses" in words for words in shown)
    assert not any("rehabilitation" in words for words in texts(draw(results["curves"])))


def test_many_groups_are_named_when_they_are_not_drawn(results: dict[str, Any]) -> None:
    from dataclasses import replace

    result = results["one_curve"]
    names = [f"g{place}" for place in range(9)]

    def several(frame: pd.DataFrame) -> pd.DataFrame:
        return pd.concat([frame.assign(group=name) for name in names], ignore_index=True)

    many = replace(
        result,
        by="site",
        table=several(result.table),
        groups=several(result.groups),
        quantiles=several(result.quantiles),
        shares_back=several(result.shares_back),
    )
    assert "not drawn, see the table: g6, g7, g8" in texts(draw(many))


def test_axes_of_the_caller_are_used(results: dict[str, Any]) -> None:
    for result in results.values():
        figure = Figure(figsize=(9, 5))
        axes = figure.add_subplot()
        assert draw(result, ax=axes) is figure
        assert figure.axes == [axes]


def test_the_callers_settings_survive_and_pyplot_stays_away(results: dict[str, Any]) -> None:
    before = dict(matplotlib.rcParams)
    saved(draw(results["bars"]), kind="svg")
    assert dict(matplotlib.rcParams) == before
    # Other libraries may load pyplot; no figure of ours may be kept alive by it.
    pyplot = sys.modules.get("matplotlib.pyplot")
    assert pyplot is None or pyplot.get_fignums() == []


def test_what_cannot_be_drawn_is_said(results: dict[str, Any], tmp_path: Path) -> None:
    from dataclasses import replace

    with pytest.raises(InputError, match="only results of analysis can be drawn; got DataFrame"):
        draw(results["bars"].table)
    with pytest.raises(DataError, match="nothing to draw: 80 of 80 rows could be used"):
        draw(replace(results["bars"], table=results["bars"].table.iloc[:0]))
    with pytest.raises(OptionError, match=r"\.svg, \.png or \.pdf"):
        save(draw(results["bars"]), tmp_path / "bars.gif")
    with pytest.raises(NotWritableError, match="choose a folder that exists"):
        save(draw(results["bars"]), tmp_path / "nowhere" / "bars.svg")


@pytest.mark.parametrize("kind", KINDS)
def test_every_picture_can_be_said_in_words(results: dict[str, Any], kind: str) -> None:
    words = alternative(results[kind])
    assert len(words) > 30
    assert "nan" not in words
    assert words.endswith(".")


def sized(result: Any, sizes: list[int]) -> Any:
    from dataclasses import replace

    groups = result.groups.copy()
    groups["n"] = sizes
    return replace(result, groups=groups)


def test_groups_too_small_for_a_median_are_named_and_not_drawn(results: dict[str, Any]) -> None:
    result = results["curves"]
    names = list(result.groups["group"])
    sizes = [MIN_CASES_FOR_MEDIAN - 1, *[20] * (len(names) - 1)]
    figure = draw(sized(result, sizes))
    labels = {text.get_text() for text in figure.axes[0].texts}
    small = label(names[0], column="tier")
    assert small not in labels
    assert f"not drawn, see the table: {small} (n = {MIN_CASES_FOR_MEDIAN - 1})" in labels


def test_small_groups_are_drawn_with_their_size_when_there_are_no_others(results: dict[str, Any]) -> None:
    result = results["curves"]
    shown = texts(draw(sized(result, [2] * len(result.groups))))
    assert f"{label(result.groups['group'].iloc[0], column='tier')} (n = 2)" in shown
    assert not any(words.startswith("not drawn") for words in shown)


def test_an_interval_that_the_axis_cuts_has_an_arrow() -> None:
    wide = {"hurt": [1, 40], "hours": [10.0, 1000.0], "wall": ["a", "b"]}
    figure = draw(event_rates(wide, events="hurt", exposure="hours", by="wall"))
    arrows = [line for line in figure.axes[0].lines if line.get_marker() == ">"]
    assert [np.asarray(line.get_ydata()).tolist() for line in arrows] == [[0]]
    even = {"hurt": [40, 40], "hours": [1000.0, 1000.0], "wall": ["a", "b"]}
    uncut = draw(event_rates(even, events="hurt", exposure="hours", by="wall"))
    assert not [line for line in uncut.axes[0].lines if line.get_marker() == ">"]


def test_hatching_is_explained_only_where_something_is_hatched(results: dict[str, Any]) -> None:
    from dataclasses import replace

    result = results["heat"]
    for impossible in (True, False):
        table = result.table.assign(impossible=impossible)
        shown = texts(draw(replace(result, table=table)))
        assert any("hatched: cannot be" in words for words in shown) is impossible


@pytest.mark.parametrize("kind", KINDS)
def test_a_marked_picture_keeps_its_parts_and_says_what_it_is_not_for(results: dict[str, Any], kind: str) -> None:
    figure = draw(results[kind])
    before = figure.axes[0].get_position().height * figure.get_figheight()
    marked(figure, PICTURE_MARK)
    assert figure.axes[0].get_position().height * figure.get_figheight() == pytest.approx(before)
    text = figure.texts[0]
    assert " ".join(text.get_text().split()) == PICTURE_MARK
    figure.canvas.draw()
    box = text.get_window_extent(figure.canvas.get_renderer())  # type: ignore[attr-defined]
    lowest = min(
        each.get_window_extent(figure.canvas.get_renderer()).y0  # type: ignore[attr-defined]
        for each in [*figure.axes[0].texts, figure.axes[0].xaxis.label]
        if each.get_text()
    )
    assert box.x1 <= figure.canvas.get_width_height()[0]
    assert 0 <= box.y0 < box.y1 <= lowest
