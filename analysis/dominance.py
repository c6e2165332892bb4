"""Is the dominant hand hurt more often? A sign test with one case a climber."""

from __future__ import annotations

from typing import Any, Final

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype
from scipy.stats import binomtest

from analysis.clusters import CLIMBER
from analysis.proportions import normal_quantile, proportion
from analysis.results import Distribution, Note, no_tests
from analysis.sources import cases_of
from analysis.thresholds import CONF_LEVEL, MIN_EVENTS
from registry.door import require
from registry.errors import InputError

DOMINANT: Final = "hand_is_dominant"
ONSET: Final = "onset_day"


def dominant_hand(cases: Any, *, conf_level: float = CONF_LEVEL) -> Distribution:
    """Compare injuries of the dominant and of the other hand, one case a climber.

    Parameters
    ----------
    cases
        An opened registry or freeze, or a frame of n rows: hand_is_dominant (true/false, empty where not known) and,
        where there are such columns, climber and onset_day (whole number; needed when climbers repeat).
    conf_level
        Level of the limits.

    Returns
    -------
    Distribution by hand_is_dominant. ``table``: hand_is_dominant (yes, no), n, of, estimate, conf_low, conf_high
    (Clopper-Pearson, so that they agree with the test). ``tests``: sign_test, statistic (climbers whose dominant hand
    was hurt), p_value (exact, two-sided, against one half).

    Raises
    ------
    ColumnError
        When hand_is_dominant is missing, or onset_day although climbers repeat.
    InputError
        When hand_is_dominant does not hold true/false values, or onset_day, where climbers repeat, no numbers.

    Notes
    -----
    A climber counts with the first day on which a hand known as dominant or not was hurt; several fingers of that day
    are one. Who hurt both hands on that day is a tie and left out, as are all later cases; a case without a climber is
    a climber of its own. Use does not only load a hand: who crimps with both hands alike may still fall on one.

    References
    ----------
    Arbuthnott J 1710, Phil Trans 27:186-190 (the sign test). Conover WJ 1999, Practical Nonparametric Statistics,
    section 3.4 (both from memory).

    Examples
    --------
    >>> hurt = {"hand_is_dominant": [True] * 8 + [False] * 2}
    >>> round(float(dominant_hand(hurt).tests["p_value"][0]), 4)
    0.1094
    """
    normal_quantile(conf_level)
    frame = cases_of(cases)
    require(frame, [(DOMINANT, "the hand")])
    schema = frame.collect_schema()
    known = frame.filter(~nw.col(DOMINANT).is_null())
    n_known = int(known.select(nw.len()).collect().to_pandas().to_numpy()[0, 0])
    if schema[DOMINANT] != nw.Boolean and n_known:
        raise InputError(
            f"column '{DOMINANT}' must be true/false, empty where not known; turn your words into that, for example "
            f"frame['{DOMINANT}'].map({{'yes': True, 'no': False}})."
        )
    n_rows = int(frame.select(nw.len()).collect().to_pandas().to_numpy()[0, 0])
    each = _first_days(known, timed=ONSET in schema.names(), named=CLIMBER in schema.names())
    hands = each["hand"].to_numpy(dtype=float)
    first = {"yes": int((hands == 1).sum()), "no": int((hands == 0).sum())}
    climbers = sum(first.values())
    in_ties = int(each.loc[~np.isin(hands, (0, 1)), "cases"].sum())
    on_first_days = int(each["cases"].sum())
    reasons = {
        "hand not known as dominant or not": n_rows - n_known,
        "later injury of the same climber": n_known - on_first_days,
        "further finger of the same hand and day": on_first_days - in_ties - climbers,
        "both hands hurt on the first day": in_ties,
    }
    return Distribution(
        table=_table(first, conf_level=conf_level),
        method=(
            f"Hand of the first injury of {climbers} climbers (one case a climber): exact two-sided sign test against "
            f"one half, with {conf_level * 100:g} % Clopper-Pearson limits."
        ),
        unit="cases",
        conf_level=conf_level,
        n_rows_in=n_rows,
        n_rows_used=climbers,
        left_out=pd.DataFrame([(reason, n) for reason, n in reasons.items() if n], columns=["reason", "n"]),
        notes=_notes(first, undated=int(each["undated"].sum())),
        by=(DOMINANT,),
        tests=_tests(first),
    )


def _first_days(known: nw.LazyFrame[Any], *, timed: bool, named: bool) -> pd.DataFrame:
    """Return for each climber the hand of the first day (1 dominant, 0 other, between: both) and its cases.

    ``undated``: several cases, none with a known day.
    """
    columns = [DOMINANT, *([CLIMBER] if named else []), *([ONSET] if timed else [])]
    table: pd.DataFrame = known.select(columns).collect().to_pandas()
    table["hand"] = table[DOMINANT].astype(float)
    nameless = table[CLIMBER].isna() if named else pd.Series(True, index=table.index)
    alone = table.loc[nameless, ["hand"]].assign(cases=1, undated=False)
    if not named:
        return alone
    rest = table[~nameless].assign(undated=False)
    if rest[CLIMBER].duplicated().any():
        require(known, [(ONSET, "the day of the injury, since climbers repeat")])
        # A day that is not known cannot be the first.
        day = _days(rest[ONSET])
        rest = rest[day == day.groupby(rest[CLIMBER]).transform("min")].assign(undated=np.isinf(day))
    by_climber = rest.groupby(CLIMBER)
    each = pd.DataFrame({"hand": by_climber["hand"].mean(), "cases": by_climber.size()})
    each["undated"] = by_climber["undated"].all() & (each["cases"] > 1)
    return pd.concat([alone, each], ignore_index=True)


def _days(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return days as numbers, infinite where not known: as text, day 9 would come after day 10."""
    if values.notna().any() and (not is_numeric_dtype(values) or is_bool_dtype(values)):
        raise InputError(
            f"column '{ONSET}' must be days as whole numbers, such as days since 1970-01-01, since climbers repeat; "
            f"turn dates into (date - pandas.Timestamp('1970-01-01')).dt.days."
        )
    return pd.to_numeric(values).astype(float).fillna(np.inf)


def _table(first: dict[str, int], *, conf_level: float) -> pd.DataFrame:
    climbers = sum(first.values())
    lines = []
    for hand, n in first.items():
        share = proportion(n, of=climbers, method="clopper_pearson", conf_level=conf_level)
        lines.append((hand, n, climbers, share.estimate, share.conf_low, share.conf_high))
    return pd.DataFrame(lines, columns=[DOMINANT, "n", "of", "estimate", "conf_low", "conf_high"])


def _tests(first: dict[str, int]) -> pd.DataFrame:
    climbers = sum(first.values())
    if not climbers:
        return no_tests()
    p_value = float(binomtest(first["yes"], climbers, 0.5).pvalue)
    return pd.DataFrame([("sign_test", float(first["yes"]), np.nan, p_value)], columns=list(no_tests().columns))


def _notes(first: dict[str, int], *, undated: int) -> tuple[Note, ...]:
    climbers, notes = sum(first.values()), []
    if undated:
        sentence = (
            f"{undated} climbers have several injuries and no known day of any: these are taken as one day, so that "
            f"who hurt both hands is left out."
        )
        notes.append(Note("days_not_known", sentence))
    if not climbers:
        notes.append(Note("no_rows", "No climber's first injury is known to be of the dominant or the other hand."))
    elif climbers < 2 * MIN_EVENTS:
        sentence = f"Only {climbers} climbers: even if all were hurt in the same hand, little could be said."
        notes.append(Note("few_events", sentence))
    return tuple(notes)
