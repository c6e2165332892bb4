"""Whole hands, palm side, each finger shaded by its share: one hand for both, or a pair."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np

from reports import rounding, wording
from reports.pictures import style
from reports.pictures.hand_outline import DIGITS, Hand, Points, right_hand
from reports.pictures.hand_page import (
    NOTHING,
    Cell,
    Foot,
    Frame,
    Look,
    Page,
    Steps,
    any_hatched,
    cells,
    foot,
    inches_of,
    ink_on,
    marks_words,
    new_page,
    not_drawn,
    share_words,
    steps_for,
    total_of,
    write_foot,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import Distribution

SIDES: Final = ("left", "right")
HAND_LOW, HAND_HIGH, HAND_LEFT, HAND_RIGHT = -1.6, 18.2, -5.4, 9.3
"""Centimetres that a hand takes; the words at its tips need more."""
WORDS_AT_SIDES, WORDS_BELOW = 0.38, 0.4
LARGEST_UNIT, SMALLEST_CREASED = 0.185, 0.12
"""Inches a centimetre."""
TIPS_APART, LIFTED_LINES = 2.9, 1.6
"""Centimetres between two fingertips, and lines by which a crowded count is lifted over its neighbours."""


def draw_one_hand(result: Distribution, look: Look, ax: Axes | None) -> Figure:
    """Draw a distribution by digit on one hand."""
    counted = cells(result, ("digit",))
    drawn = {digit: counted.get((digit,), NOTHING) for digit in DIGITS}
    others = {wording.label(key[0], column="digit"): cell for key, cell in counted.items() if key[0] not in DIGITS}
    sentences = (
        f"Over each finger: {result.unit} and their share. Both hands together, drawn as a right hand; palm side.",
        not_drawn(others),
    )
    steps = steps_for(drawn.values())
    under = foot(look, share_words(result), steps, sentences, hatched=any_hatched(drawn.values()))
    unit = min(LARGEST_UNIT, (look.width - 0.6) / (HAND_RIGHT - HAND_LEFT) * 0.82)
    crowded = _is_crowded(drawn.values(), look, unit)
    page = _page(look, unit, under, ax, below=0.08, crowded=crowded)
    middle = look.width / 2 - unit * (HAND_LEFT + HAND_RIGHT) / 2
    _draw_hand(page, _frame(middle, unit, under, look, below=0.08), right_hand(), drawn, steps, crowded=crowded)
    write_foot(page, under)
    return style.figure_of(page.ax)


def draw_two_hands(result: Distribution, look: Look, ax: Axes | None) -> Figure:
    """Draw a distribution by side and digit on a pair of hands, as one sees one's own palms."""
    counted = cells(result, ("side", "digit"))
    drawn = {(side, digit): counted.get((side, digit), NOTHING) for side in SIDES for digit in DIGITS}
    others = {
        f"{wording.label(side, column='side')}, {wording.label(digit, column='digit')}": cell
        for (side, digit), cell in counted.items()
        if (side, digit) not in drawn
    }
    sentences = (
        f"Over each finger: {result.unit} and their share. Palm side: both hands as one sees one's own palms, thumbs "
        "outward.",
        marks_words(drawn.values()),
        not_drawn(others),
    )
    steps = steps_for(drawn.values())
    under = foot(look, share_words(result), steps, sentences, hatched=any_hatched(drawn.values()))
    room = look.width / 2
    unit = min(LARGEST_UNIT, (room - WORDS_AT_SIDES) / (HAND_RIGHT - HAND_LEFT))
    crowded = _is_crowded(drawn.values(), look, unit)
    page = _page(look, unit, under, ax, below=WORDS_BELOW, crowded=crowded)
    for place, side in enumerate(SIDES):
        hand = right_hand() if side == "right" else right_hand().mirrored()
        centre = (HAND_LEFT + HAND_RIGHT) / 2 * (1 if side == "right" else -1)
        frame = _frame(room * (place + 0.5) - unit * centre, unit, under, look, below=WORDS_BELOW)
        own = {digit: drawn[side, digit] for digit in DIGITS}
        _draw_hand(page, frame, hand, own, steps, crowded=crowded)
        total = sum(cell.n for (of_side, _), cell in counted.items() if of_side == side)
        _name_hand(page, frame, f"{side} hand", f"{rounding.count(total)} of {rounding.count(total_of(result))}")
    write_foot(page, under)
    return style.figure_of(page.ax)


def _page(look: Look, unit: float, under: Foot, ax: Axes | None, *, below: float, crowded: bool) -> Page:
    words_at_tips = (3.6 + (LIFTED_LINES if crowded else 0)) * look.words / 72
    return new_page(look, under.height(look) + below + unit * (HAND_HIGH - HAND_LOW) + words_at_tips, ax)


def _frame(x: float, unit: float, under: Foot, look: Look, *, below: float) -> Frame:
    return Frame(x, under.height(look) + below - unit * HAND_LOW, unit, unit)


def _draw_hand(page: Page, frame: Frame, hand: Hand, drawn: dict[str, Cell], steps: Steps, *, crowded: bool) -> None:
    page.shape(frame.at(hand.contour), style.WASH, edge="none", zorder=1)
    for line in hand.palm_creases:
        page.line(frame.at(line), colour=style.LINE, width=0.8)
    for digit, outline in hand.digits.items():
        cell = drawn[digit]
        page.part(frame.at(outline), cell, steps, line=0.4)
        for line in hand.joint_creases[digit] if _creased(frame) else ():
            page.line(frame.at(line), colour=ink_on(steps.fill(cell)), width=0.5, order=4)
        _write_digit(page, frame, hand, digit, cell, steps, crowded=crowded)
    page.line(frame.at(hand.contour), colour=style.INK, width=1.1, order=5)


def _creased(frame: Frame) -> bool:
    """Folds of the joints leave no room for names on very small hands."""
    return frame.up >= SMALLEST_CREASED


def _write_digit(page: Page, frame: Frame, hand: Hand, digit: str, cell: Cell, steps: Steps, *, crowded: bool) -> None:
    base, tip, lean = hand.axes[digit]
    direction = np.array([math.sin(math.radians(lean)), math.cos(math.radians(lean))])
    # Letters run along the finger, and never upside down.
    turn = -90 - lean if digit == "thumb" and lean < 0 else 90 - lean
    part = 0.505 if digit != "thumb" else 0.3 if _creased(frame) else 0.4
    x, y = frame.at(base + (tip - base) * part)
    fill = steps.fill(cell)
    between_folds = float(np.linalg.norm(tip - base)) * frame.up * (0.42 if digit == "thumb" else 0.3)
    room = between_folds if _creased(frame) else 0
    page.words(
        x,
        y,
        wording.label(digit, column="digit"),
        size=page.look.small,
        color=ink_on(fill),
        rotation=turn,
        rotation_mode="anchor",
        room=room,
    )
    _write_count(page, frame, digit, tip, direction, cell, crowded=crowded)


def _write_count(
    page: Page, frame: Frame, digit: str, tip: Points, direction: Points, cell: Cell, *, crowded: bool
) -> None:
    high = page.look.words / 72
    x, y = frame.at(tip) + direction * high * (0.5 if digit == "thumb" else 1.45)
    y += high * (1.3 if digit == "thumb" else 0)
    if crowded and digit == "middle":
        y += high * LIFTED_LINES
    room = (3.3 if digit == "little" else 4.7) * frame.across if crowded else 0
    page.words(x, y + high * 0.6, cell.count, weight="normal" if crowded else "bold", room=room)
    page.words(x, y - high * 0.6, cell.percent, size=page.look.small, room=room)


def _is_crowded(drawn: Iterable[Cell], look: Look, unit: float) -> bool:
    """Tell whether counts are wider than the tips lie apart: the middle finger's then stands higher."""
    bold = 1.12
    widest = max(max(inches_of(cell.count, look.words) * bold, inches_of(cell.percent, look.small)) for cell in drawn)
    return widest > TIPS_APART * unit


def _name_hand(page: Page, frame: Frame, name: str, total: str) -> None:
    x, y = frame.at(np.array([0.0, HAND_LOW]))
    page.words(x, y - 0.13, name, weight="bold")
    page.words(x, y - 0.29, total, size=page.look.small)
