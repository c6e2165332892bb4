"""Drawings of the hand: the anatomy is right, no count is lost, and the shades can be told apart."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

from analysis.results import Distribution
from analysis.shares import distribution
from registry.dictionary.anatomy import FINGERS, STRUCTURES_NOT_IN_THUMB, impossible
from registry.dictionary.injury import STRUCTURES
from registry.errors import InputError
from reports import rounding
from reports.pictures import style
from reports.pictures.hand_fingers import ACROSS, PLACED
from reports.pictures.hand_outline import DIGITS, right_hand
from reports.pictures.hand_page import Steps, ink_on, luminance, sign, steps_for
from reports.pictures.hand_parts import FINGER_JOINTS, finger, joint, thumb
from reports.pictures.hand_structures import spread
from reports.pictures.hands import alternative_hands, can_draw_hands, draw_hands
from reports.pictures.heat import draw_heat
from reports.pictures.style import saved

KINDS: dict[str, tuple[str, ...]] = {
    "digit": ("digit",),
    "pair": ("side", "digit"),
    "structure": ("structure",),
    "main": ("main_structure",),
    "fingers": ("structure", "digit"),
    "turned": ("digit", "main_structure"),
}
SIZES = ("slide", "column")


def invented(n: int, *, seed: int = 3) -> dict[str, list[Any]]:
    """Cases with every structure, a few of them without a recorded structure or digit."""
    draw = np.random.default_rng(seed)
    digits = draw.choice(DIGITS, n, p=[0.05, 0.15, 0.35, 0.35, 0.1])
    structures = []
    for digit in digits:
        can = [name for name in STRUCTURES if not impossible(digit, name)]
        weights = np.array([8.0 if name in ("a2", "a4") else 1.0 for name in can])
        structures.append(str(draw.choice(can, p=weights / weights.sum())))
    unrecorded = draw.random(n) < 0.04
    chosen = [None if gone else name for gone, name in zip(unrecorded, structures, strict=True)]
    return {
        "digit": [None if draw.random() < 0.02 else str(digit) for digit in digits],
        "side": [str(side) for side in draw.choice(["left", "right"], n, p=[0.4, 0.6])],
        "structure": chosen,
        "main_structure": chosen,
    }


def result_of(kind: str, n: int) -> Distribution:
    return distribution(invented(n), by=KINDS[kind])


@pytest.fixture(scope="module")
def drawable() -> dict[tuple[str, int], Distribution]:
    return {(kind, n): result_of(kind, n) for kind in KINDS for n in (3, 80, 1200)}


@pytest.fixture(scope="module")
def drawn(drawable: dict[tuple[str, int], Distribution]) -> Callable[[str, int, Any], Figure]:
    """Each drawing once, for the tests that only look at it."""

    @cache
    def figure(kind: str, n: int, size: Any) -> Figure:
        return draw_hands(drawable[kind, n], size=size)

    return figure


SHOWN = [(kind, n, size) for kind in KINDS for n in (3, 1200) for size in SIZES]


def texts(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.axes[0].texts]


def numbers(words: list[str]) -> list[int]:
    """Counts anywhere in the words; shares and joint names are no counts."""
    found = []
    for text in words:
        bare = re.sub(
            r"<?\d+(\.\d+)?\s%|of \d[\d ]*|share of [\d ]*|[AC][1-5]", "", text.replace(rounding.NARROW_SPACE, "")
        )
        found += [int(number) for number in re.findall(r"(?<![\d.])\d+(?![\d.])", bare)]
    return found


@pytest.mark.parametrize(("kind", "n", "size"), SHOWN)
def test_every_count_of_the_table_is_in_the_picture(
    drawable: dict[tuple[str, int], Distribution],
    drawn: Callable[[str, int, Any], Figure],
    kind: str,
    n: int,
    size: Any,
) -> None:
    result = drawable[kind, n]
    shown = numbers(texts(drawn(kind, n, size)))
    for count in result.table.loc[result.table["n"] > 0, "n"]:
        assert count in shown
        shown.remove(count)


@pytest.mark.parametrize(("kind", "n", "size"), SHOWN)
def test_nothing_overlaps_or_leaves_the_page(
    drawn: Callable[[str, int, Any], Figure], kind: str, n: int, size: Any
) -> None:
    figure = drawn(kind, n, size)
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    width, height = figure.canvas.get_width_height()
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in figure.axes[0].texts if text.get_text()]
    for place, (words, box) in enumerate(boxes):
        assert min(box.x0, box.y0) >= -1, words
        assert box.x1 <= width + 1, words
        assert box.y1 <= height + 1, words
        for others, other in boxes[place + 1 :]:
            assert not _overlap(box, other), (words, others)


@pytest.mark.parametrize(("size", "inches"), [("slide", 7.0), ("column", 3.3)])
def test_both_sizes_have_their_width_and_fit_on_a_page(
    drawn: Callable[[str, int, Any], Figure], size: Any, inches: float
) -> None:
    for kind in KINDS:
        wide, high = drawn(kind, 1200, size).get_size_inches()
        assert wide == pytest.approx(inches)
        assert high < 9.3


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_drawing_has_the_same_bytes_and_leaves_its_result(
    drawable: dict[tuple[str, int], Distribution], kind: str
) -> None:
    before = drawable[kind, 80].table.copy()
    first, second = (saved(draw_hands(drawable[kind, 80], size="column"), kind="svg") for _ in range(2))
    assert first == second
    assert b"<dc:date>" not in first
    assert drawable[kind, 80].table.equals(before)


def test_a_left_hand_seen_from_the_palm_has_its_thumb_at_the_left() -> None:
    right = right_hand()
    left = right.mirrored()
    assert right.axes["thumb"][1][0] > right.axes["index"][1][0] > right.axes["little"][1][0]
    assert left.axes["thumb"][1][0] < left.axes["index"][1][0] < left.axes["little"][1][0]
    figure = draw_hands(result_of("pair", 80))
    placed = {text.get_text(): text.get_position()[0] for text in figure.axes[0].texts}
    assert placed["left hand"] < placed["right hand"]
    thumbs = [text.get_position()[0] for text in figure.axes[0].texts if text.get_text() == "thumb"]
    assert min(thumbs) < placed["left hand"]
    assert max(thumbs) > placed["right hand"]
    assert any("Palm side" in words for words in texts(figure))


def test_fingers_have_the_order_of_their_lengths() -> None:
    tips = {name: tip[1] for name, (_, tip, _) in right_hand().axes.items()}
    assert sorted(tips, key=lambda name: tips[name]) == ["thumb", "little", "index", "ring", "middle"]


def test_digit_outlines_do_not_cross() -> None:
    from matplotlib.path import Path

    outlines = {name: Path(outline) for name, outline in right_hand().digits.items()}
    for name, outline in outlines.items():
        for other, path in outlines.items():
            inner = outline.vertices.mean(axis=0) + 0.98 * (outline.vertices - outline.vertices.mean(axis=0))
            if other != name:
                assert not path.contains_points(inner).any(), (name, other)


def test_pulleys_lie_where_anatomy_has_them() -> None:
    levels = {
        part.structure: (part.outlines[0][:, 1].min(), part.outlines[0][:, 1].max())
        for part in finger().parts
        if part.structure[0] in "ac"
    }
    for pulley, name in (("a1", "MCP"), ("a3", "PIP"), ("a5", "DIP")):
        low, high = levels[pulley]
        assert low < FINGER_JOINTS[name] < high
    assert FINGER_JOINTS["MCP"] < levels["a2"][0] < levels["a2"][1] < FINGER_JOINTS["PIP"]
    assert FINGER_JOINTS["PIP"] < levels["a4"][0] < levels["a4"][1] < FINGER_JOINTS["DIP"]
    lengths = {name: high - low for name, (low, high) in levels.items()}
    assert sorted(lengths, key=lambda name: -lengths[name])[:2] == ["a2", "a4"]
    upwards = sorted(levels, key=lambda name: levels[name][0])
    assert upwards == ["a1", "a2", "c1", "a3", "c2", "a4", "c3", "a5"]
    for lower, upper in pairwise(upwards):
        assert levels[lower][1] <= levels[upper][0]


def test_the_thumb_has_its_own_structures_and_no_others() -> None:
    drawn = {part.structure for part in (*thumb().parts, *joint().parts)}
    assert {"a1", "a2", "thumb_oblique_pulley", "fpl_tendon"} <= drawn
    assert not drawn & set(STRUCTURES_NOT_IN_THUMB)
    assert list(thumb().joints) == ["MCP", "IP"]
    (oblique,) = next(part.outlines for part in thumb().parts if part.structure == "thumb_oblique_pulley")
    ulnar, radial = oblique[oblique[:, 0] < 0], oblique[oblique[:, 0] > 0]
    assert ulnar[:, 1].mean() < radial[:, 1].mean()


def test_nothing_impossible_has_a_place_on_a_digit() -> None:
    assert {digit for _, digit in PLACED} == set(ACROSS) == set(DIGITS)
    assert not [(name, digit) for name, digit in PLACED if impossible(digit, name)]
    assert not {name for name, digit in PLACED if digit in FINGERS} & {"fpl_tendon", "thumb_oblique_pulley"}


def test_the_lumbrical_and_the_radial_ligament_lie_on_the_radial_side() -> None:
    places = {part.structure: part.place[0] for part in (*finger().parts, *joint().parts)}
    assert places["lumbrical"] > 0
    assert places["collateral_radial"] > 0 > places["collateral_ulnar"]


def test_the_growth_plate_lies_beyond_the_joint_and_the_volar_plate_before_it() -> None:
    places = {part.structure: part.place[1] for part in joint().parts}
    assert places["volar_plate"] < joint().joints["PIP"] < places["cartilage"] < places["growth_plate"]


def test_shades_darken_evenly_in_greyscale_and_letters_stand_out() -> None:
    greys = [luminance(shade) for shade in style.SHADES]
    assert all(light - dark > 0.1 for light, dark in pairwise(greys))
    for shade in style.SHADES:
        light, dark = sorted([luminance(shade), luminance(ink_on(shade))], reverse=True)
        # Contrast of at least 3 for large or graphical text: WCAG 2.1, success criterion 1.4.11 (from memory).
        assert (light + 0.05) / (dark + 0.05) > 3


# Viénot, Brettel & Mollon 1999 describe such matrices; these numbers: Machado, Oliveira & Fernandes 2009,
# IEEE Trans Vis Comput Graph 15:1291-1298, deuteranomaly of severity 1.0 (from memory).
DEUTERANOPIA = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)


def test_shades_keep_their_order_for_a_colour_blind_reader() -> None:
    from matplotlib.colors import to_rgb

    seen = [np.clip(DEUTERANOPIA @ np.array(to_rgb(shade)), 0, 1) @ [0.2126, 0.7152, 0.0722] for shade in style.SHADES]
    assert all(light - dark > 0.1 for light, dark in pairwise(seen))


def test_a_part_has_the_shade_of_its_share() -> None:
    from matplotlib.colors import to_hex

    result = distribution({"digit": ["ring"] * 6 + ["middle"] * 3 + ["index"]}, by="digit")
    patches = draw_hands(result).axes[0].patches
    steps = Steps(0.15)
    shades = {to_hex(patch.get_facecolor()) for patch in patches[1:6]}
    assert shades == {style.SHADES[place] for place in (0, 1, 2, 4)}
    assert [steps.place(n, n / 10) for n in (6, 3, 1, 0)] == [4, 2, 1, 0]
    assert "60 %" in texts(draw_hands(result))


def test_steps_reach_the_largest_share(drawable: dict[tuple[str, int], Distribution]) -> None:
    from reports.pictures.hand_page import cells

    for (kind, _), result in drawable.items():
        counted = cells(result, KINDS[kind])
        steps = steps_for(counted.values())
        assert max(cell.share for cell in counted.values()) <= 4 * steps.width + 1e-9


def test_signs_follow_the_residuals_or_the_tables_own_marks() -> None:
    from dataclasses import replace

    side = ["left"] * 30 + ["right"] * 30
    digit = ["ring"] * 25 + ["middle"] * 5 + ["ring"] * 5 + ["middle"] * 25
    result = distribution({"side": side, "digit": digit}, by=["side", "digit"])
    words = texts(draw_hands(result))
    assert words.count("25 +") == words.count("5 −") == 2
    assert any("more, −" in each for each in words)
    own = replace(result, table=result.table.assign(marked=["+"] + [""] * (len(result.table) - 1)))
    words = texts(draw_hands(own))
    assert not [each for each in words if each in ("25 +", "5 −")]
    unmarked = replace(result, table=result.table.assign(marked=""))
    assert not any("more, −" in each for each in texts(draw_hands(unmarked)))
    assert sign({"residual": float("nan")}) == ""


def test_a_place_that_cannot_be_is_hatched_and_explained() -> None:
    from dataclasses import replace

    result = result_of("fingers", 80)
    table = result.table.copy()
    gone = (table["structure"] == "a1") & (table["digit"] == "ring")
    table.loc[gone, ["n", "estimate"]] = 0
    table.loc[gone, "impossible"] = True
    figure = draw_hands(replace(result, table=table))
    assert sum(patch.get_hatch() is not None for patch in figure.axes[0].patches) == 2
    assert "cannot be" in texts(figure)
    assert "cannot be" not in texts(draw_hands(result))


def test_counts_without_a_place_are_listed() -> None:
    data = {"structure": ["a2", "skin", "skin", None], "digit": ["ring", "ring", "thumb", None]}
    by_structure = " ".join(texts(draw_hands(distribution(data, by="structure")))).replace("\N{NO-BREAK SPACE}", " ")
    assert "Not in the drawing: skin 2 (50 %), not recorded 1 (25 %)." in by_structure
    by_digit = " ".join(texts(draw_hands(distribution(data, by="digit")))).replace("\N{NO-BREAK SPACE}", " ")
    assert "Not in the drawing: not recorded 1 (25 %)." in by_digit
    both = texts(draw_hands(distribution(data, by=["structure", "digit"])))
    assert "skin" in both
    assert "Finger not recorded: not recorded 1 (25 %)." in " ".join(both).replace("\N{NO-BREAK SPACE}", " ")


def test_a_structure_on_a_digit_that_has_none_is_listed_and_not_lost() -> None:
    shown = texts(
        draw_hands(distribution({"structure": ["a4"] * 7, "digit": ["thumb"] * 7}, by=["structure", "digit"]))
    )
    assert "7" in shown
    assert shown.count("A4") == 2


def test_the_callers_axes_are_used_at_any_size(drawable: dict[tuple[str, int], Distribution]) -> None:
    for kind, wide in (("digit", 9.0), ("digit", 2.0), ("pair", 3.3), ("structure", 5.0), ("fingers", 9.0)):
        figure = Figure(figsize=(wide, 6.0))
        axes = figure.add_subplot()
        assert draw_hands(drawable[kind, 80], axes) is figure
        assert figure.axes == [axes]


def test_what_has_no_drawing_is_said(drawable: dict[tuple[str, int], Distribution]) -> None:
    other = distribution({"sex": ["female", "male"]}, by="sex")
    assert not can_draw_hands(other)
    assert not can_draw_hands("a word")
    assert all(can_draw_hands(result) for result in drawable.values())
    with pytest.raises(InputError, match="a distribution by sex has no drawing of the hand; one by digit"):
        draw_hands(other)
    with pytest.raises(InputError, match="only a distribution can be drawn on the hand; got str"):
        alternative_hands("a word")  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", KINDS)
def test_the_text_alternative_says_every_count(drawable: dict[tuple[str, int], Distribution], kind: str) -> None:
    result = drawable[kind, 80]
    words = alternative_hands(result)
    counted = result.table.loc[result.table["n"] > 0, "n"]
    assert words.count("%)") == len(counted) + words.count(" 0 (")
    assert "nan" not in words
    assert words.endswith(".")
    assert "palm side" in words


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("kind", ["digit", "pair", "fingers", "structure"])
def test_a_million_cases_stay_apart(drawable: dict[tuple[str, int], Distribution], kind: str, size: Any) -> None:
    from dataclasses import replace

    result = drawable[kind, 1200]
    table = result.table.copy()
    table[["n", "of"]] *= 900
    figure = draw_hands(replace(result, table=table), size=size)
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in figure.axes[0].texts]
    counts = [(words, box) for words, box in boxes if re.fullmatch(r"[\d\s]+[+−]?", words) and len(words) > 3]
    assert len(counts) > 3 or kind == "structure"
    for place, (words, box) in enumerate(counts):
        for others, other in counts[place + 1 :]:
            assert not _overlap(box, other), (words, others)


def _overlap(box: Any, other: Any) -> bool:
    overlap_x = min(box.x1, other.x1) - max(box.x0, other.x0)
    overlap_y = min(box.y1, other.y1) - max(box.y0, other.y0)
    return bool(overlap_x >= 1.5 and overlap_y >= 3)


def test_labels_move_apart_and_stay_in_their_order() -> None:
    placed = spread([5.0, 4.95, 4.9, 0.1], gap=0.5, low=0.0, high=5.0)
    assert placed == sorted(placed, reverse=True)
    assert min(-np.diff(placed)) >= 0.5 - 1e-9


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("kind", ["pair", "fingers", "turned"])
def test_the_heat_table_is_readable_at_both_sizes(
    drawable: dict[tuple[str, int], Distribution], kind: str, size: Any
) -> None:
    result = drawable[kind, 1200]
    figure = draw_heat(result, size=size)
    axes = figure.axes[0]
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    width, height = figure.canvas.get_width_height()
    ticks = [*axes.get_xticklabels(), *axes.get_yticklabels()]
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in [*axes.texts, *ticks] if text.get_text()]
    for place, (words, box) in enumerate(boxes):
        assert -1 <= box.x0 < box.x1 <= width + 1, words
        assert -1 <= box.y0 < box.y1 <= height + 1, words
        for others, other in boxes[place + 1 :]:
            assert not _overlap(box, other), (words, others)


def test_the_heat_table_has_its_totals_and_signs(drawable: dict[tuple[str, int], Distribution]) -> None:
    result = drawable["pair", 1200]
    axes = draw_heat(result).axes[0]
    rows = result.table.groupby("side", sort=False)["n"].sum().tolist()
    columns = result.table.groupby("digit", sort=False, dropna=False)["n"].sum().tolist()
    shown = [label.get_text() for label in axes.yaxis.get_minorticklabels()]
    assert shown == [rounding.count(n) for n in rows]
    shown = [label.get_text() for label in axes.xaxis.get_minorticklabels()]
    assert shown == [rounding.count(n) for n in columns]
    signs = [text.get_text() for text in axes.texts if text.get_text() in "+−"]
    assert len(signs) == int((result.table["residual"].abs() >= 2).sum())
