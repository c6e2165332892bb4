"""Every finger with its structures, shaded by their share, each count on its structure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from reports import rounding, wording
from reports.pictures import style
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
    write_foot,
)
from reports.pictures.hand_parts import Scheme, finger, joint, thumb
from reports.pictures.hand_structures import draw_scheme, parts_outlines

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import Distribution

ACROSS: Final = ("little", "ring", "middle", "index", "thumb")
"""As the digits of a right hand lie, seen from the palm."""
SHORT: Final = {
    "a1": "A1",
    "a2": "A2",
    "a3": "A3",
    "a4": "A4",
    "a5": "A5",
    "c1": "C1",
    "c2": "C2",
    "c3": "C3",
    "fdp_tendon": "FDP",
    "fds_tendon": "FDS",
    "fpl_tendon": "FPL",
    "tendon_sheath": "sheath",
    "thumb_oblique_pulley": "oblique",
    "collateral_radial": "radial coll.",
    "collateral_ulnar": "ulnar coll.",
}
LABELS_LEFT, LABELS_RIGHT = 0.74, 0.41
"""Inches beside the digits."""
UP: Final = 0.19
"""Inches per unit along a digit: the narrowest pulley then holds a line of 7 points."""
HEADING, ROW = 0.36, 0.15
COUNT_POINTS: Final = 6.8


@dataclass(frozen=True)
class Panel:
    """Five digits in a row: the inches of its left edge, of a column, and of its lower edge."""

    left: float
    column: float
    bottom: float

    def middle(self, digit: str) -> float:
        """Return where a digit's axis stands."""
        return self.left + LABELS_LEFT + self.column * (ACROSS.index(digit) + 0.5)


Counted = dict[tuple[Any, ...], Cell]


def draw_fingers(result: Distribution, look: Look, ax: Axes | None) -> Figure:
    """Draw a distribution by structure and digit: tendons and pulleys, and joints.

    The two stand beside each other on a slide, one above the other in a column.
    """
    column = next(name for name in result.by if name != "digit")
    counted = cells(result, (column, "digit"))
    listed = _listed(counted)
    shown = {key: cell for key, cell in counted.items() if key[1] in ACROSS}
    steps = steps_for(shown.values())
    drawn = [cell for (name, digit), cell in shown.items() if (name, digit) in PLACED or name in listed]
    sentences = (
        "Palm side; the digits of a right hand, the radial side of each on its right; all drawn to one length. "
        "Joints: any joint of the digit is counted at the one that is drawn.",
        marks_words(drawn),
        *_of_no_digit(counted, column),
    )
    under = foot(look, share_words(result), steps, sentences, hatched=any_hatched(drawn))
    return _laid_out(shown, listed, column, look, ax, under)


PLACED: Final = frozenset(
    (part.structure, digit)
    for digit in ACROSS
    for scheme in (thumb() if digit == "thumb" else finger(), joint())
    for part in scheme.parts
)


def _of_no_digit(counted: Counted, column: str) -> list[str]:
    """Say the counts whose finger is unknown or not recorded."""
    sentences = []
    for digit in dict.fromkeys(digit for _, digit in counted if digit not in ACROSS):
        own = {wording.label(name, column=column): cell for (name, of), cell in counted.items() if of == digit}
        sentences.append(not_drawn(own, what=f"Finger {wording.label(digit, column='digit')}"))
    return sentences


def _listed(counted: Counted) -> list[Any]:
    """Structures with a count that has no place on its digit, in the order of the table; the unrecorded last."""
    names = list(dict.fromkeys(name for name, _ in counted))
    without = {name for (name, digit), cell in counted.items() if cell.n and _has_no_place(name, digit)}
    return [name for name in names if name in without and name is not None] + [None] * (None in without)


def _has_no_place(name: Any, digit: Any) -> bool:
    return digit in ACROSS and (name, digit) not in PLACED


def _laid_out(shown: Counted, listed: list[Any], column: str, look: Look, ax: Axes | None, under: Foot) -> Figure:
    pulleys_high = HEADING + (finger().high - finger().low) * UP
    joints_high = HEADING + (joint().high - joint().low) * UP
    rows_high = ROW * len(listed) + (0.12 if listed else 0)
    base = under.height(look) + 0.08
    slide = look.width > 5
    below = joints_high + rows_high
    height = base + (max(pulleys_high, below) if slide else pulleys_high + 0.12 + below) + 0.05
    page = new_page(look, height, ax)
    half = look.width / 2 if slide else look.width
    wide = (half - LABELS_LEFT - LABELS_RIGHT - (0.1 if slide else 0.02)) / len(ACROSS)
    top = height - 0.05
    first = Panel(0.0, wide, top - pulleys_high)
    second = Panel(half if slide else 0.0, wide, (top if slide else first.bottom - 0.12) - joints_high)
    _head(page, first, top, "tendons and pulleys")
    _head(page, second, second.bottom + joints_high, "a joint, opened (PIP; in the thumb IP)")
    for digit in ACROSS:
        scheme = thumb() if digit == "thumb" else finger()
        _draw_digit(page, first, scheme, digit, shown, under.steps)
        _draw_digit(page, second, joint(), digit, shown, under.steps)
    radial = ("collateral_radial",)
    _name_rows(page, first, finger(), "left")
    _name_rows(page, second, joint(), "left", leave=radial)
    _name_rows(page, first, thumb(), "right")
    _name_rows(page, second, joint(), "right", only=radial)
    _name_joints(page, first)
    for place, name in enumerate(listed):
        _write_row(page, second, second.bottom - 0.12 - ROW * (place + 0.5), name, column, shown, under.steps)
    write_foot(page, under)
    return style.figure_of(page.ax)


def _head(page: Page, panel: Panel, top: float, title: str) -> None:
    small = page.look.small
    page.words(panel.left + 0.05, top - 0.08, title, size=small, weight="bold", ha="left")
    for digit in ACROSS:
        page.words(panel.middle(digit), top - 0.26, wording.label(digit, column="digit"), size=small)


def _frame(panel: Panel, scheme: Scheme, digit: str) -> Frame:
    halves = [float(np.abs(outline[:, 0]).max()) for outline in parts_outlines(scheme)]
    half = max([1.4, *halves])
    low = finger().low if scheme is not joint() else joint().low
    return Frame(panel.middle(digit), panel.bottom - low * UP, panel.column / 2 / half * 0.97, UP)


def _draw_digit(page: Page, panel: Panel, scheme: Scheme, digit: str, shown: Counted, steps: Steps) -> None:
    frame = _frame(panel, scheme, digit)
    own: dict[str, Cell | None] = {part.structure: shown.get((part.structure, digit), NOTHING) for part in scheme.parts}
    draw_scheme(page, frame, scheme, own, steps)
    for part in scheme.parts:
        cell = own[part.structure]
        if cell is None or not (cell.n or cell.mark):
            continue
        ((x, y),) = frame.at(np.array([part.place]))
        _count(page, x, y, cell, steps, room=part.room * frame.across, tall=part.tall)


def _count(page: Page, x: float, y: float, cell: Cell, steps: Steps, *, room: float, tall: bool = False) -> None:
    fill = steps.fill(cell)
    size = COUNT_POINTS
    # The ground of the letters hides the lines of the shape beneath them.
    ground = {"facecolor": fill, "edgecolor": "none", "boxstyle": "square,pad=0.02"}
    letters: dict[str, Any] = {"size": size, "color": ink_on(fill)}
    beside = cell.count.replace(" ", "")
    if tall and inches_of(rounding.count(cell.n), size) > 1.2 * room:
        page.words(x, y, beside, bbox=ground, rotation=90, **letters)
        return
    if tall and cell.mark:
        page.words(x, y + 1.15 * size / 72, cell.mark, weight="bold", **letters)
        beside = rounding.count(cell.n)
    page.words(x, y, beside, room=room, bbox=ground, **letters)


def _name_rows(
    page: Page,
    panel: Panel,
    scheme: Scheme,
    side: Literal["left", "right"],
    *,
    leave: tuple[str, ...] = (),
    only: tuple[str, ...] = (),
) -> None:
    """Name the structures at their height, beside the little finger or beside the thumb."""
    frame = _frame(panel, scheme, ACROSS[0])
    if side == "left":
        x, align, room = panel.left + LABELS_LEFT - 0.03, "right", LABELS_LEFT - 0.06
    else:
        x, align, room = panel.left + LABELS_LEFT + panel.column * len(ACROSS) + 0.03, "left", LABELS_RIGHT - 0.05
    for part in scheme.parts:
        if part.structure not in leave and (not only or part.structure in only):
            y = frame.y + part.place[1] * frame.up
            words = _short(part.structure) if side == "left" else _short(part.structure).replace(" ", "\n")
            page.words(x, y, words, size=page.look.small * 0.95, ha=align, room=room)


def _name_joints(page: Page, panel: Panel) -> None:
    """Name the joints of the fingers at the left edge."""
    frame = _frame(panel, finger(), "little")
    for name, level in finger().joints.items():
        y = frame.y + level * frame.up
        page.words(panel.left + 0.05, y, name, size=page.look.small, ha="left", weight="bold", color=style.SOFT)


def _short(structure: str) -> str:
    return SHORT.get(structure, wording.label(structure, column="structure"))


def _write_row(page: Page, panel: Panel, y: float, name: Any, column: str, shown: Counted, steps: Steps) -> None:
    """Write the counts of a structure that is not drawn, under the digits."""
    words = SHORT.get(str(name), wording.label(name, column=column))
    page.words(
        panel.left + LABELS_LEFT - 0.03, y, words, size=page.look.small * 0.95, ha="right", room=LABELS_LEFT - 0.06
    )
    for digit in ACROSS:
        if (name, digit) in PLACED:
            continue
        cell = shown.get((name, digit), NOTHING)
        x, half = panel.middle(digit), panel.column * 0.47
        low, high = y - ROW * 0.45, y + ROW * 0.45
        page.part(
            np.array([(x - half, low), (x + half, low), (x + half, high), (x - half, high)]), cell, steps, line=0.3
        )
        if cell.n or cell.mark:
            _count(page, x, y, cell, steps, room=2 * half)
