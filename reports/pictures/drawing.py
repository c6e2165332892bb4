"""``draw``: the picture follows from the result's type."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

from analysis.results import (
    Agreement,
    Distribution,
    DistributionComparison,
    EventRates,
    OddsRatios,
    Result,
    SurvivalCurves,
    TrendTest,
)
from registry.errors import DataError, InputError, OptionError, suggestion

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw(result: Result, ax: Axes | None = None, *, picture: str | None = None, size: str | None = None) -> Figure:
    """Draw a result; its type chooses the picture, and nothing is computed.

    Parameters
    ----------
    result
        What a function of ``analysis`` returned: a distribution (the hand, bars, or a heat table for two columns),
        a comparison of two, odds ratios (forest plot), a trend, the agreement of readers (table of their grades),
        survival or return curves (steps with an at-risk table), rates (dots with limits).
    ax
        matplotlib axes to draw into; None makes a figure of its own, outside pyplot.
    picture
        Of a distribution: hands, bars or heat; None chooses (``chosen_picture``).
    size
        Of the hand and the heat table: slide (7 inches wide; the default) or column (3.3 inches, for a printed column).

    Returns
    -------
    The matplotlib figure that holds the picture. Save it with ``reports.save(figure, "name.svg")``.

    Raises
    ------
    InputError
        For anything that is no result.
    DataError
        When the result has nothing to draw.

    Examples
    --------
    >>> draw("a word")
    Traceback (most recent call last):
    ...
    registry.errors.InputError: only results of analysis can be drawn; got str.
    """
    if not isinstance(result, Result):
        raise InputError(f"only results of analysis can be drawn; got {type(result).__name__}.")
    if result.table.empty or (isinstance(result, Distribution) and not result.n_rows_used):
        used = (
            f"{result.n_rows_used} of {result.n_rows_in} rows could be used" if result.n_rows_in else "there is no row"
        )
        raise DataError(f"there is nothing to draw: {used}. The table stands without its picture.")
    if size is not None and size not in SIZES:
        raise OptionError(f"size is '{size}'; it is one of {', '.join(SIZES)}.{suggestion(size, SIZES)}")
    if isinstance(result, Distribution):
        return _draw_distribution(result, ax, picture, size)
    if size is not None:
        raise InputError(f"size '{size}' goes with the hand and the heat table; {type(result).__name__} has one size.")
    if picture is not None:
        raise InputError(f"picture '{picture}' goes with a distribution; {type(result).__name__} has one picture.")
    for kind, home, name in PICTURE_OF:
        if isinstance(result, kind):
            drawn: Figure = getattr(import_module(home), name)(result, ax)
            return drawn
    raise InputError(f"no picture exists for {type(result).__name__} yet; its table can be printed.")


PICTURE_OF: Final[tuple[tuple[type[Result], str, str], ...]] = (
    (OddsRatios, "reports.pictures.forest", "draw_forest"),
    (TrendTest, "reports.pictures.trend", "draw_trend"),
    (Agreement, "reports.pictures.agreement", "draw_agreement"),
    (SurvivalCurves, "reports.pictures.curves", "draw_curves"),
    (EventRates, "reports.pictures.intervals", "draw_rates"),
)
"""Each kind of result, and the function that draws it; loaded when it is needed."""


SIZES: Final = ("slide", "column")


def _draw_distribution(result: Distribution, ax: Axes | None, picture: str | None, size: Any) -> Figure:
    from reports.pictures.choosing import chosen_picture

    chosen = chosen_picture(result, picture)
    if size is not None and chosen == "bars":
        raise InputError(f"size '{size}' goes with the hand and the heat table; bars have one size.")
    if isinstance(result, DistributionComparison):
        from reports.pictures.comparison import draw_comparison

        return draw_comparison(result, ax)
    if chosen == "hands":
        from reports.pictures.hands import draw_hands

        return draw_hands(result, ax, size=size)
    if chosen == "heat":
        from reports.pictures.heat import draw_heat

        return draw_heat(result, ax, size=size)
    from reports.pictures.bars import draw_bars

    return draw_bars(result, ax)
