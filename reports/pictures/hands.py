"""Distributions drawn on the hand: by finger, by hand and finger, by structure, by structure and finger."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.results import Distribution
from registry.errors import InputError
from reports import rounding, wording
from reports.pictures import style
from reports.pictures.hand_page import MINUS, Size, cells, look_for, share_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PICTURES = {
    "digit": "A hand, palm side, each finger",
    "side_digit": "A pair of hands, palm side, each finger",
    "structure": "A finger, a joint and the thumb, palm side, each structure",
    "structure_digit": "The five digits, palm side, each structure of each",
}
SIGNS = {"": "", "+": ", more than expected", MINUS: ", fewer than expected"}
STRUCTURE_COLUMNS = ("structure", "main_structure")
DRAWN = "by digit, by side and digit, by structure (or main_structure), or by structure and digit"


def can_draw_hands(result: object) -> bool:
    """Tell whether a result is a distribution that has a drawing of the hand.

    Examples
    --------
    >>> from analysis.shares import distribution
    >>> can_draw_hands(distribution({"digit": ["ring"]}, by="digit"))
    True
    >>> can_draw_hands(distribution({"sex": ["female"]}, by="sex"))
    False
    """
    return isinstance(result, Distribution) and _kind(result) != ""


def _kind(result: Distribution) -> str:
    names = set(result.by)
    structure = names & set(STRUCTURE_COLUMNS)
    if names == {"digit"}:
        return "digit"
    if names == {"side", "digit"}:
        return "side_digit"
    if len(structure) == 1 and names == structure:
        return "structure"
    if len(structure) == 1 and names == structure | {"digit"}:
        return "structure_digit"
    return ""


def draw_hands(result: Distribution, ax: Axes | None = None, *, size: Size | None = None) -> Figure:
    """Draw a distribution on the hand, palm side; the darker a part, the larger its share.

    Parameters
    ----------
    result
        A distribution by digit (one hand), by side and digit (a pair of hands), by structure or main_structure (a
        finger, a joint and the thumb), or by structure and digit (all of these for each finger).
    ax
        Axes to draw into; new ones when None.
    size
        'slide' (7 inches wide) or 'column' (3.3 inches, for a printed column). None: a slide, or what suits the
        width of ``ax``.

    Returns
    -------
    The figure that holds the axes. Every count of the table stands in it: on the part, or, where the drawing has no
    such part, in a list below.

    Raises
    ------
    InputError
        For a result that is no such distribution.

    Examples
    --------
    >>> from analysis.shares import distribution
    >>> figure = draw_hands(distribution({"digit": ["ring", "ring", "middle"]}, by="digit"), size="column")
    >>> round(float(figure.get_figwidth()), 1), "2" in {text.get_text() for text in figure.axes[0].texts}
    (3.3, True)
    """
    kind = _required_kind(result)
    look = look_for(size, ax, stacked=kind.startswith("structure"))
    with style.house_style():
        if kind == "digit":
            from reports.pictures.hand_whole import draw_one_hand

            return draw_one_hand(result, look, ax)
        if kind == "side_digit":
            from reports.pictures.hand_whole import draw_two_hands

            return draw_two_hands(result, look, ax)
        if kind == "structure":
            from reports.pictures.hand_structures import draw_structures

            return draw_structures(result, look, ax)
        from reports.pictures.hand_fingers import draw_fingers

        return draw_fingers(result, look, ax)


def _required_kind(result: object) -> str:
    if not isinstance(result, Distribution):
        raise InputError(f"only a distribution can be drawn on the hand; got {type(result).__name__}.")
    kind = _kind(result)
    if not kind:
        raise InputError(f"a distribution by {' and '.join(result.by)} has no drawing of the hand; one {DRAWN} has.")
    return kind


def alternative_hands(result: Distribution) -> str:
    """Return the text alternative of the drawing: every count that it shows, with its share and its sign.

    Raises
    ------
    InputError
        For a result that has no drawing of the hand.

    Examples
    --------
    >>> from analysis.shares import distribution
    >>> alternative_hands(distribution({"digit": ["ring", "ring", "middle"]}, by="digit"))
    'A hand, palm side, each finger shaded by its share of 3 cases: ring 2 (67 %); middle 1 (33 %).'
    """
    kind = _required_kind(result)
    counted = cells(result, result.by)
    said = [
        f"{_values(result.by, key)} {rounding.count(cell.n)} ({cell.percent}){SIGNS[cell.mark]}"
        for key, cell in sorted(counted.items(), key=lambda item: -item[1].n)
        if cell.n or cell.mark
    ]
    listed = "; ".join(said) if said else "no count"
    return f"{PICTURES[kind]} shaded by its {share_words(result)}: {listed}."


def _values(names: tuple[str, ...], key: tuple[Any, ...]) -> str:
    return ", ".join(wording.label(value, column=name) for name, value in zip(names, key, strict=True))
