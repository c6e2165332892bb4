"""Trend in a cross-table: where one or both of its columns have an order."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.crossing.by_climber import ByClimber
from analysis.ordered import scale_of
from analysis.results import Note, no_tests
from analysis.thresholds import MIN_CLUSTERS, MIN_FOR_TEST
from analysis.trending.linear_trend import Trend, centred, cochran_armitage, linear_by_linear
from registry.errors import InputError

Floats = npt.NDArray[np.float64]

ORDERED: Final = ("pulley_grade", "age_band", "season", "level", "uiaa_score", "age_at_onset", "onset_precision")
"""Columns whose levels have an order; tiers have one only inside a family."""


def trend_lines(
    tested: pd.DataFrame, keys: list[str], by_climber: ByClimber | None
) -> tuple[pd.DataFrame, tuple[Note, ...]]:
    """Test the trend of a cross-table, where there can be one.

    Parameters
    ----------
    tested
        One line a pair of recorded levels: the columns of ``keys`` and n.
    keys
        The two columns.
    by_climber
        The units climber by climber, where climbers repeat.

    Returns
    -------
    Tests (test, statistic, df, p_value) and notes. Two levels against an ordered column: cochran_armitage and
    linear_by_linear; two ordered columns: linear_by_linear; in both trend_by_climber where climbers repeat (generalised
    score test, G/(G-1)); else none. Scores as ``scale_of`` gives them.
    """
    levels = [list(dict.fromkeys(tested[key])) for key in keys]
    counts = tested["n"].to_numpy(dtype=float).reshape(len(levels[0]), len(levels[1]))
    some = [counts.sum(axis=1) > 0, counts.sum(axis=0) > 0]
    levels = [
        [word for word, there in zip(words, flags, strict=True) if there]
        for words, flags in zip(levels, some, strict=True)
    ]
    scores = [_scores(key, words) for key, words in zip(keys, levels, strict=True)]
    counts = counts[np.ix_(*some)]
    ordered = [score is not None for score in scores]
    if not any(ordered) or any(len(words) < 2 for words in levels):
        return no_tests(), ()
    for place in (0, 1):
        if scores[place] is None:
            if len(levels[place]) != 2:
                return no_tests(), ()
            scores[place] = {word: float(step) for step, word in enumerate(levels[place])}
    return _tested(counts, keys, levels, [score or {} for score in scores], by_climber)


def _tested(
    counts: Floats,
    keys: list[str],
    levels: list[list[str]],
    scores: list[dict[str, float]],
    by_climber: ByClimber | None,
) -> tuple[pd.DataFrame, tuple[Note, ...]]:
    used = [np.array([word in score for word in words]) for words, score in zip(levels, scores, strict=True)]
    counts = counts[np.ix_(*used)]
    notes: tuple[Note, ...] = ()
    outside = [word for words, score in zip(levels, scores, strict=True) for word in words if word not in score]
    if outside:
        notes = (Note("outside_the_order", f"The trend leaves out {', '.join(outside)}: no step of its scale."),)
    if min(counts.shape) < 2 or counts.sum() < MIN_FOR_TEST:
        return no_tests(), notes
    scores = [
        {word: score[word] for word in words if word in score} for words, score in zip(levels, scores, strict=True)
    ]
    values = [np.array(list(score.values())) for score in scores]
    lines: list[tuple[str, Trend]] = []
    if counts.shape[1] == 2:
        lines.append(("cochran_armitage", cochran_armitage(counts, values[0])))
    elif counts.shape[0] == 2:
        lines.append(("cochran_armitage", cochran_armitage(counts.T, values[1])))
    lines.append(("linear_by_linear", linear_by_linear(counts, *values)))
    if by_climber is not None and by_climber.blocks.climbers >= MIN_CLUSTERS:
        lines.append(("trend_by_climber", _by_climber(counts, keys, scores, by_climber)))
    table = pd.DataFrame(
        [(name, trend.chi_square, 1.0, trend.p_value) for name, trend in lines], columns=list(no_tests().columns)
    )
    return table[np.isfinite(table["statistic"])].reset_index(drop=True), notes


def _scores(column: str, words: list[str]) -> dict[str, float] | None:
    if column not in ORDERED:
        return None
    try:
        return scale_of(column, words).scores
    except InputError:
        # Seasons called spring and autumn, or a column that merely shares the name: there is no order to follow.
        return None


def _by_climber(counts: Floats, keys: list[str], scores: list[dict[str, float]], by_climber: ByClimber) -> Trend:
    """Sum the centred scores of each climber's units: their squares are the variance of the sum of all."""
    blocks = by_climber.blocks
    each = centred(counts, *(list(score.values()) for score in scores))
    if by_climber.rows[0] != keys[0]:
        scores, each = scores[::-1], each.T
    places = [{word: place for place, word in enumerate(score)} for score in scores]
    down = np.array([places[0].get(word, -1) for word in by_climber.rows[1]])[blocks.row[blocks.unit]]
    across = np.array([places[1].get(word, -1) for word in by_climber.columns[1]])[blocks.column]
    used = (down >= 0) & (across >= 0)
    sums = np.bincount(blocks.climber[blocks.unit][used], weights=each[down[used], across[used]])
    climbers = len(np.unique(blocks.climber[blocks.unit][used]))
    variance = climbers / (climbers - 1) * float(sums @ sums)
    return Trend(z=float(sums.sum()) / float(np.sqrt(variance)) if variance > 0 else float("nan"))
