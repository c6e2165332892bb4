"""How an injury stands to the climber's earlier ones in this registry, beside what was reported.

Published
    Index, new, local, re-injury, exacerbation: subsequent injuries in the IOC family of consensus statements
    (Para-sport extension, Table 4): new = other place and tissue; local = same place, other tissue; re-injury = same
    place and tissue after full recovery; exacerbation = the same before it.
Common practice, no source
    Place is hand and finger; tissue is the main structure; earlier means an earlier day of onset. The same tissue at
    another finger counts as new. Recovered means that full climbing was reached on or before this onset; not
    recovered, that it is known not to have been reached by then. Where neither is known (the earlier case was lost,
    the tissue not recorded), the answer is ``unknown``, not a guess.
"""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.people import no_number

_PERSON = ["site", "athlete"]
_PLACE = [*_PERSON, "side", "digit"]
_TISSUE = [*_PLACE, "main_structure"]


def history(cases: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Derive the history of every case.

    Parameters
    ----------
    cases
        site, case, athlete, side, digit, main_structure, onset_day, clock_day, full_kind, full_day, full_after.

    Returns
    -------
    site, case, history_derived: one row a case.
    """
    recovered = (
        nw.when(nw.col("full_kind") == "censored").then(no_number()).otherwise(nw.col("clock_day") + nw.col("full_day"))
    )
    not_before = (
        nw.when(nw.col("full_kind") == "interval")
        .then(nw.col("clock_day") + nw.col("full_after"))
        .otherwise(nw.col("clock_day") + nw.col("full_day"))
    )
    # Same-day rows of one tissue are one event here, so that "earlier" is strict.
    slim = cases.select("site", "case", *_TISSUE[1:], "onset_day", recovered_day=recovered, ill_until=not_before)
    events = (
        slim.filter(~nw.any_horizontal(*(nw.col(name).is_null() for name in _TISSUE), ignore_nulls=False))
        .group_by(*_TISSUE, "onset_day")
        .agg(nw.col("recovered_day").max(), nw.col("ill_until").max(), rows=nw.len())
        .with_columns(
            earlier_day=nw.col("onset_day").shift(1).over(*_TISSUE, order_by="onset_day"),
            earlier_recovered=nw.col("recovered_day").shift(1).over(*_TISSUE, order_by="onset_day"),
            earlier_ill_until=nw.col("ill_until").shift(1).over(*_TISSUE, order_by="onset_day"),
        )
        .select(*_TISSUE, "onset_day", "earlier_day", "earlier_recovered", "earlier_ill_until")
    )
    untold = nw.when(nw.col("main_structure").is_null()).then(nw.col("onset_day")).otherwise(no_number())
    firsts = slim.with_columns(untold_day=untold).with_columns(
        first_of_person=nw.col("onset_day").min().over(*_PERSON),
        first_of_place=nw.col("onset_day").min().over(*_PLACE),
        first_untold=nw.col("untold_day").min().over(*_PLACE),
    )
    joined = firsts.join(events, on=[*_TISSUE, "onset_day"], how="left")
    return joined.select("site", "case", history_derived=_word())


def _word() -> nw.Expr:
    onset = nw.col("onset_day")
    place_known = ~nw.col("side").is_null() & ~nw.col("digit").is_null()
    tissue_open = nw.col("main_structure").is_null() | (nw.col("first_untold") < onset).fill_null(False)
    return (
        nw.when(nw.col("athlete").is_null() | onset.is_null())
        .then(nw.lit("unknown"))
        .when(nw.col("first_of_person") >= onset)
        .then(nw.lit("index"))
        .when(~place_known)
        .then(nw.lit("unknown"))
        .when(nw.col("first_of_place") >= onset)
        .then(nw.lit("new"))
        .when(nw.col("earlier_recovered") <= onset)
        .then(nw.lit("reinjury"))
        .when(nw.col("earlier_ill_until") >= onset)
        .then(nw.lit("exacerbation"))
        .when(~nw.col("earlier_day").is_null() | tissue_open)
        .then(nw.lit("unknown"))
        .otherwise(nw.lit("local"))
    )
