"""What a reader of odds ratios has to know: empty cells, few events, strata that say nothing, reversals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from analysis.odds_spread import Spread
from analysis.results import Note
from analysis.stratified import Stratified
from analysis.thresholds import MIN_CLUSTERS, MIN_EVENTS
from analysis.two_by_two import TwoByTwo, woolf


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """One level of an exposure against the reference.

    Attributes
    ----------
    level
        The level.
    table
        The counts of the two levels, summed over strata.
    pooled
        What the strata say together; None without strata.
    variance
        Of the logarithm of the ratio, linearised by climber; None where climbers do not repeat.
    """

    level: str
    table: TwoByTwo
    pooled: Stratified | None
    variance: float | None


def comparison_notes(comparisons: Sequence[Comparison], strata: str | None) -> tuple[Note, ...]:
    """Note what the counts behind odds ratios call for.

    Parameters
    ----------
    comparisons
        One for each level but the reference.
    strata
        The column over which ratios are pooled.

    Examples
    --------
    >>> alone = Comparison(level="jam", table=TwoByTwo(9, 0, 8, 7), pooled=None, variance=None)
    >>> [note.code for note in comparison_notes([alone], None)]
    ['zero_cell']
    """
    notes = []
    empty = [each.level for each in comparisons if each.table.zero_cell]
    if empty:
        sentence = f"A cell is empty at {', '.join(empty)}: no Woolf limits; the exact limits stand."
        notes.append(Note("zero_cell", sentence))
    few = [each.level for each in comparisons if smaller_side(each.table) < MIN_EVENTS]
    if few:
        sentence = f"Fewer than {MIN_EVENTS} events, or rows without the event, stand behind {', '.join(few)}."
        notes.append(Note("few_events", sentence))
    sparse = [each.level for each in comparisons if 0 < min(each.table.cells) < MIN_EVENTS and each.level not in few]
    if sparse:
        sentence = (
            f"A cell of the level or its reference holds fewer than {MIN_EVENTS} rows at {', '.join(sparse)}: read the "
            f"exact limits, not Woolf's."
        )
        notes.append(Note("sparse_cells", sentence))
    pooled = [(each, each.pooled) for each in comparisons if each.pooled is not None]
    return (*notes, *(note for each, over in pooled for note in _pooled_notes(each, over, str(strata))))


def few_climbers(spread: Spread | None, comparisons: Sequence[Comparison], reference: str) -> tuple[Note, ...]:
    """Note limits that respect repeaters but rest on few climbers.

    Parameters
    ----------
    spread
        Sums over climbers; None where climbers do not repeat.
    comparisons
        One for each level but the reference.
    reference
        The level that the others are compared with.

    Examples
    --------
    >>> few_climbers(None, [], "jam")
    ()
    """
    if spread is None:
        return ()
    counts = {each.level: spread.climbers(each.level, reference) for each in comparisons if each.variance is not None}
    few = [f"{level} ({n})" for level, n in counts.items() if n < MIN_CLUSTERS]
    if not few:
        return ()
    sentence = (
        f"The limits that respect repeaters rest on fewer than {MIN_CLUSTERS} climbers at {', '.join(few)}: they are "
        f"too narrow."
    )
    return (Note("few_clusters", sentence),)


def smaller_side(table: TwoByTwo) -> int:
    """Return the smaller of the events and the rows without the event.

    Examples
    --------
    >>> smaller_side(TwoByTwo(9, 1, 8, 2))
    3
    """
    a, b, c, d = table.cells
    return min(a + c, b + d)


def _pooled_notes(each: Comparison, pooled: Stratified, strata: str) -> list[Note]:
    notes = []
    if pooled.empty == pooled.strata:
        sentence = (
            f"No stratum of '{strata}' compares {each.level} with the reference (all {pooled.strata} have an empty "
            f"margin): there is no pooled ratio."
        )
        return [Note("no_stratum_compares", sentence)]
    if pooled.empty:
        sentence = (
            f"{pooled.empty} of {pooled.strata} strata of '{strata}' have an empty margin at {each.level} and "
            f"contribute nothing."
        )
        notes.append(Note("empty_strata", sentence))
    if not (isfinite(pooled.ratio.conf_low) and isfinite(pooled.ratio.conf_high)):
        sentence = (
            f"At {each.level} the Mantel-Haenszel ratio over '{strata}' ({pooled.ratio.estimate:.3g}) has no limits: "
            f"in every stratum a cell of the comparison is empty; the exact limits of the common ratio stand."
        )
        notes.append(Note("pooled_without_limits", sentence))
    if "woolf_homogeneity_haldane" in set(pooled.tests["test"]):
        sentence = (
            f"At {each.level} a cell is empty in some stratum of '{strata}': Woolf's test of homogeneity adds a half "
            f"to every cell; Breslow-Day's and Tarone's do not."
        )
        notes.append(Note("half_added", sentence))
    crude, common = woolf(each.table).estimate, pooled.ratio.estimate
    if (crude - 1) * (common - 1) < 0:
        sentence = (
            f"At {each.level} the pooled ratio ({common:.3g}) and the ratio that ignores '{strata}' ({crude:.3g}) "
            f"lie on opposite sides of 1 (Simpson's paradox): read the pooled one."
        )
        notes.append(Note("simpson_reversal", sentence))
    return notes
