"""Which picture a distribution gets: the hand, bars, or a heat table."""

from __future__ import annotations

from typing import Final, Literal

from analysis.results import Distribution, DistributionComparison
from registry.errors import InputError, OptionError, suggestion
from reports.pictures.hands import can_draw_hands

Picture = Literal["hands", "bars", "heat"]
PICTURES: Final = ("hands", "bars", "heat")


def chosen_picture(result: Distribution, picture: str | None = None) -> Picture:
    """Return the picture of a distribution: what was asked for, else what shows it at a glance.

    Parameters
    ----------
    result
        A distribution.
    picture
        hands, bars or heat; None chooses: the hand by digit, by side and digit and by structure, a heat table for
        other pairs of columns, bars for other single ones.

    Raises
    ------
    OptionError
        For another word.
    InputError
        When the distribution has no such picture.

    Examples
    --------
    >>> from analysis.shares import distribution
    >>> chosen_picture(distribution({"digit": ["ring"]}, by="digit"))
    'hands'
    """
    if picture is not None and picture not in PICTURES:
        raise OptionError(f"picture is '{picture}'; it is one of {', '.join(PICTURES)}.{suggestion(picture, PICTURES)}")
    able: dict[str, bool] = {
        "hands": can_draw_hands(result),
        "bars": len(result.by) == 1,
        "heat": len(result.by) == 2,
    }
    if isinstance(result, DistributionComparison):
        able = {"hands": False, "bars": True, "heat": False}
    if picture is not None and not able[picture]:
        possible = [name for name in PICTURES if able[name]]
        raise InputError(
            f"a distribution by {' and '.join(result.by)} cannot be drawn as {picture}; it can as "
            f"{' or '.join(possible) or 'nothing: its table can be printed'}."
        )
    if picture is not None:
        return picture  # type: ignore[return-value]
    # Structure by finger has many small parts: the heat table is read faster, and the hand is drawn on request.
    if able["hands"] and (len(result.by) == 1 or set(result.by) == {"side", "digit"}):
        return "hands"
    return "heat" if able["heat"] else "bars"
