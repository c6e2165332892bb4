"""``draw``: the picture follows from the result's type."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.results import Distribution, EventRates, OddsRatios, Result, SurvivalCurves
from registry.errors import DataError, InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw(result: Result, ax: Axes | None = None) -> Figure:
    """Draw a result; its type chooses the picture, and nothing is computed.

    Parameters
    ----------
    result
        What a function of ``analysis`` returned: a distribution (bars, or a heat table for two columns),
        odds ratios (forest plot), survival or return curves (steps with an at-risk table), rates (dots with
        limits).
    ax
        matplotlib axes to draw into; None makes a figure of its own, outside pyplot.

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
    if isinstance(result, Distribution):
        return _draw_distribution(result, ax)
    if isinstance(result, OddsRatios):
        from reports.pictures.forest import draw_forest

        return draw_forest(result, ax)
    if isinstance(result, SurvivalCurves):
        from reports.pictures.curves import draw_curves

        return draw_curves(result, ax)
    if isinstance(result, EventRates):
        from reports.pictures.intervals import draw_rates

        return draw_rates(result, ax)
    raise InputError(f"no picture exists for {type(result).__name__} yet; its table can be printed.")


def _draw_distribution(result: Distribution, ax: Axes | None) -> Figure:
    if len(result.by) == 2:
        from reports.pictures.heat import draw_heat

        return draw_heat(result, ax)
    from reports.pictures.bars import draw_bars

    return draw_bars(result, ax)
