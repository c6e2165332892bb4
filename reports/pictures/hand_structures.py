"""One finger, one joint and the thumb, enlarged: each structure shaded by its share, its count beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from reports import wording
from reports.pictures import style
from reports.pictures.hand_outline import Points
from reports.pictures.hand_page import (
    NOTHING,
    Cell,
    Frame,
    Look,
    Page,
    Steps,
    cells,
    foot,
    new_page,
    not_drawn,
    share_words,
    steps_for,
    write_foot,
)
from reports.pictures.hand_parts import Part, Scheme, finger, joint, thumb

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import Distribution

ONLY_IN_THUMB: Final = ("fpl_tendon", "thumb_oblique_pulley")
NAMES: Final = {
    "collateral_radial": "radial collateral",
    "collateral_ulnar": "ulnar collateral",
    "thumb_oblique_pulley": "oblique pulley",
}
BONE: Final = "#ffffff"


@dataclass(frozen=True)
class Block:
    """One drawing with its labels: what stands left and right of it, and its title."""

    scheme: Scheme
    title: str
    left: tuple[str, ...]
    right: tuple[str, ...]


FINGER: Final = Block(
    finger(),
    "finger: tendons and pulleys",
    ("a5", "a4", "a3", "a2", "a1", "fds_tendon"),
    ("fdp_tendon", "c3", "c2", "c1", "tendon_sheath", "lumbrical"),
)
JOINT: Final = Block(
    joint(),
    "joint, opened: here the PIP; all joints are counted",
    ("growth_plate", "cartilage", "collateral_ulnar", "capsule"),
    ("phalanx", "collateral_radial", "volar_plate"),
)
THUMB: Final = Block(thumb(), "thumb: its own tendon and pulley", ("a2", "a1"), ("fpl_tendon", "thumb_oblique_pulley"))
BLOCKS: Final = (FINGER, JOINT, THUMB)


def draw_structures(result: Distribution, look: Look, ax: Axes | None) -> Figure:
    """Draw a distribution by structure: at slide size side by side, in a column one above the other."""
    (column,) = result.by
    counted = {key[0]: cell for key, cell in cells(result, (column,)).items()}
    placed = [part.structure for block in BLOCKS for part in block.scheme.parts]
    steps = steps_for(cell for name, cell in counted.items() if name in placed)
    others = {wording.label(name, column=column): cell for name, cell in counted.items() if name not in placed}
    sentences = (
        "Palm side; a digit of a right hand, so that the radial side is on the right. A1, A2 and the tendon sheath of "
        "the thumb are counted with those of the fingers.",
        not_drawn(others),
    )
    under = foot(look, share_words(result), steps, sentences)
    base = under.height(look) + 0.08
    slide = look.width > 5
    page = new_page(look, base + (4.75 if slide else 7.3), ax)
    if slide:
        _draw_block(page, FINGER, counted, steps, area=(0.1, base, 3.3, 4.7), wide=0.32)
        _draw_block(page, JOINT, counted, steps, area=(3.5, base + 2.4, 3.4, 2.3), wide=0.21)
        _draw_block(page, THUMB, counted, steps, area=(3.5, base, 3.4, 2.3), wide=0.25)
    else:
        _draw_block(page, FINGER, counted, steps, area=(0.08, base + 3.7, 3.14, 3.55), wide=0.26)
        _draw_block(page, JOINT, counted, steps, area=(0.08, base + 1.8, 3.14, 1.85), wide=0.17)
        _draw_block(page, THUMB, counted, steps, area=(0.08, base, 3.14, 1.75), wide=0.2)
    write_foot(page, under)
    return style.figure_of(page.ax)


def _draw_block(
    page: Page,
    block: Block,
    counted: dict[str, Cell],
    steps: Steps,
    *,
    area: tuple[float, float, float, float],
    wide: float,
) -> None:
    """Draw one block into an area (left, bottom, width, height in inches); ``wide`` are inches per unit across."""
    left, bottom, width, height = area
    scheme = block.scheme
    title = 2.0 * page.look.words / 72
    up = (height - title - 0.08) / (scheme.high - scheme.low)
    frame = Frame(left + width / 2, bottom + 0.04 - scheme.low * up, wide, up)
    page.words(left + width / 2, bottom + height - title * 0.45, block.title, weight="bold", size=page.look.small)
    own = {part.structure: _cell_of(part, block, counted) for part in scheme.parts}
    draw_scheme(page, frame, scheme, own, steps)
    _name_joints(page, frame, scheme)
    for side, names in ((-1, block.left), (1, block.right)):
        _write_labels(page, frame, scheme, side, names, own, edge=left if side < 0 else left + width)


def _cell_of(part: Part, block: Block, counted: dict[str, Cell]) -> Cell | None:
    """The thumb's own parts have their counts; what fingers have as well is counted there."""
    if block is THUMB and part.structure not in ONLY_IN_THUMB:
        return None
    return counted.get(part.structure, NOTHING)


def draw_scheme(page: Page, frame: Frame, scheme: Scheme, own: dict[str, Cell | None], steps: Steps) -> None:
    """Draw skin, bones and parts; a part without a cell of its own stays white."""
    low = scheme.low
    if len(scheme.skin):
        page.shape(frame.at(scheme.skin), style.WASH, edge="none", zorder=1)
        page.line(frame.at(scheme.skin), width=0.9)
    for outline in scheme.bones:
        page.shape(frame.at(_above(outline, low)), BONE, edge=style.SOFT, line=0.4, zorder=2)
    for order, part in enumerate(scheme.parts):
        for outline in part.outlines:
            shape, cell = frame.at(_between(outline, low, scheme.high)), own[part.structure]
            if cell is None:
                page.shape(shape, "white", edge=style.SOFT, line=0.6, zorder=3 + order * 0.1)
            else:
                page.part(shape, cell, steps, order=3 + order * 0.1)


def _above(outline: Points, low: float) -> Points:
    return np.column_stack([outline[:, 0], np.maximum(outline[:, 1], low)])


def _between(outline: Points, low: float, high: float) -> Points:
    return np.column_stack([outline[:, 0], np.clip(outline[:, 1], low, high)])


def _name_joints(page: Page, frame: Frame, scheme: Scheme) -> None:
    if len(scheme.joints) < 2:
        return
    for name, level in scheme.joints.items():
        ((x, y),) = frame.at(np.array([(1.45, level)]))
        page.line(frame.at(np.array([(1.12, level), (1.4, level)])), colour=style.INK, width=0.9)
        page.words(x + 0.02, y, name, size=page.look.small, ha="left", weight="bold", color=style.SOFT)


def _write_labels(
    page: Page,
    frame: Frame,
    scheme: Scheme,
    side: int,
    names: tuple[str, ...],
    own: dict[str, Cell | None],
    *,
    edge: float,
) -> None:
    parts = {part.structure: part for part in scheme.parts}
    anchors = {name: (side * abs(parts[name].anchor[0]), parts[name].anchor[1]) for name in names}
    ordered = sorted(names, key=lambda name: -anchors[name][1])
    places = [frame.at(np.array([anchors[name]]))[0] for name in ordered]
    high = page.look.words / 72
    top, bottom = frame.y + scheme.high * frame.up, frame.y + scheme.low * frame.up
    levels = spread([float(y) for _, y in places], gap=2.75 * high, low=bottom + high * 1.2, high=top - high)
    halves = [float(np.abs(part[:, 0]).max()) for part in (scheme.skin, *parts_outlines(scheme)) if len(part)]
    past_joints = 1.45 * frame.across + 0.36 if len(scheme.joints) > 1 and side > 0 else 0.0
    reach = max(frame.across * max(halves) + 0.16, past_joints)
    for name, (x, y), level in zip(ordered, places, levels, strict=True):
        near = frame.x + side * reach
        bend = frame.x + side * (reach - 0.12)
        page.line(np.array([(x, y), (bend, y), (near, level)]), width=0.6, order=5)
        page.ax.plot([x], [y], marker="o", markersize=2 * page.factor, color=style.INK, zorder=5.5)
        start = near + side * 0.05
        _write_label(page, start, level, name, own[name], room=edge - start)


def _write_label(page: Page, x: float, y: float, name: str, cell: Cell | None, *, room: float) -> None:
    """Write a structure's name and count; the room (inches) is negative where they end at x."""
    words = NAMES.get(name, wording.label(name, column="structure"))
    high = page.look.words / 72
    letters: dict[str, Any] = {"size": page.look.small, "ha": "left" if room > 0 else "right", "room": abs(room)}
    if cell is None:
        page.words(x, y, words, color=style.SOFT, **letters)
        return
    page.words(x, y + high * 0.62, words, **letters)
    said = f"{cell.count} ({cell.percent})" if cell.n else "none"
    # Bold letters are about a tenth wider than those that are measured.
    letters["room"] *= 0.88
    page.words(x, y - high * 0.62, said, weight="bold" if cell.n else "normal", **letters)


def parts_outlines(scheme: Scheme) -> list[Points]:
    """Return all outlines of a scheme's parts."""
    return [outline for part in scheme.parts for outline in part.outlines]


def spread(levels: list[float], *, gap: float, low: float, high: float) -> list[float]:
    """Move descending levels apart until no two are nearer than the gap, inside the limits where they fit.

    Examples
    --------
    >>> spread([5.0, 4.9, 1.0], gap=1.0, low=0.0, high=5.0)
    [5.0, 4.0, 1.0]
    >>> spread([2.0, 0.5, 0.1], gap=1.0, low=0.0, high=5.0)
    [2.0, 1.0, 0.0]
    """
    placed: list[float] = []
    for level in levels:
        placed.append(min(level, high if not placed else placed[-1] - gap))
    floor = low
    for place in range(len(placed) - 1, -1, -1):
        placed[place] = max(placed[place], floor)
        floor = placed[place] + gap
    return placed
