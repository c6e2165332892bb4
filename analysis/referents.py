"""Cases beside referents: the rows of a case-control, matched or case-crossover comparison, and what it can mean.

A referent is an uninjured climber, session or move. Only what both a case and such a referent can have is compared,
and only cases that could have come from the same source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.matching.referent_kinds import (
    OF_THE_PERSON,
    OF_THE_RECORD,
    OF_THE_UNIT,
    SAMPLINGS,
    check_exposures,
    kind_of_referents,
)
from analysis.matching.referent_meaning import cannot_mean, meaning
from analysis.odds_columns import PEOPLE
from analysis.results import Note, no_rows_left_out
from analysis.sources import cases_of, is_view
from analysis.survival import sort_out
from analysis.tallies import kind_of
from registry.derive.people import age_band_by_years, minor_by_years, no_text, not_known
from registry.door import enter, require
from registry.errors import DataError, InputError, OptionError, suggestion

INJURED: Final = "injured"
"""The outcome of the rows: is the row a case?"""
SET_KEY: Final = "match_set"
"""Column that names the matched set; keys of two sites differ."""

_TEXTS: Final = (*OF_THE_RECORD, "climber", SET_KEY, *OF_THE_UNIT["move"], *OF_THE_PERSON)


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Cases and referents in one table."""

    rows: nw.LazyFrame[Any]
    """injured (true/false), site, season, climber, match_set, minor, and what cases and referents can have: grip,
    mechanism, activity, discipline, setting, context, sex, age_band, level, dominant_hand."""
    design: str
    unit: str
    """climber, session or move."""
    sampling: str
    """unmatched, density, matched or own_earlier."""
    cases: int
    referents: int
    left_out: pd.DataFrame
    """reason, n (cases and referents)."""
    meaning: str
    cannot_mean: str
    notes: tuple[Note, ...] = ()
    outcome: str = field(default=INJURED)


@dataclass(frozen=True)
class _Asked:
    design: str
    unit: str
    sampling: str
    exposures: tuple[str, ...]
    outcome_of_cases: str | None

    @property
    def own(self) -> bool:
        """Whether the referents are the climber's own earlier sessions or moves."""
        return self.sampling == "own_earlier"


def compared(
    source: Any,
    *,
    design: Literal["case_control", "matched"],
    exposures: str | Sequence[str],
    unit: Literal["climber", "session", "move"] | None = None,
    sampling: Literal["unmatched", "density", "matched", "own_earlier"] | None = None,
    outcome_of_cases: str | None = None,
    people: Literal["adults", "minors"] | None = None,
) -> Comparison:
    """Put the cases of a registry beside its referents.

    Parameters
    ----------
    source
        An opened registry or freeze, or a mapping with the tables 'cases' and 'referents' and, for what referents have
        from their climber, 'athletes'.
    design
        case_control takes referents that were sampled unmatched, or by density without regard to sets; matched those
        of matched sets and a climber's own earlier sessions or moves.
    exposures
        Columns that are to be compared, covariates included.
    unit
        What the referents are. Needed only where the registry holds several units for the design.
    sampling
        How they were drawn. Needed only where the registry holds several ways for the design.
    outcome_of_cases
        True/false (or 0/1) column of the cases: only cases that have it are compared with the referents.
    people
        adults or minors: the others are left out and counted. Referents that name no climber (a coach's note of a move)
        may be of either; they are kept, and a note says so. None takes all.

    Returns
    -------
    Comparison, whose rows ``odds_ratios``, ``adjusted_odds_ratios`` and ``matched_odds_ratios`` take.

    Raises
    ------
    ColumnError, InputError
        When tables or columns are missing.
    OptionError
        When a word does not exist, or the unit cannot have an exposure.
    DataError
        When there are no referents for the design, several kinds of them, or no case beside them.

    Notes
    -----
    A gradual onset happened in no one session or move: such cases are left out there, and counted. Against a climber's
    own earlier sessions stand only sudden onsets whose day is known; referents must be of the same climber and from
    days before the onset (case-crossover).

    References
    ----------
    Maclure M 1991, Am J Epidemiol 133:144-153 (case-crossover). Rothman KJ & Greenland S 1998, Modern Epidemiology,
    chapter 7 (sampling of controls; both from memory).

    Examples
    --------
    >>> from datetime import date
    >>> cases = {"site": ["x"], "case": ["1"], "athlete": ["a"], "onset": [date(2024, 5, 1)], "onset_mode": ["sudden"],
    ...          "grip": ["full_crimp"]}
    >>> referents = {"site": ["x"] * 2, "referent": ["1", "2"], "unit": ["move"] * 2, "sampling": ["unmatched"] * 2,
    ...              "happened_on": [date(2024, 5, 2)] * 2, "grip": ["open_hand", "full_crimp"]}
    >>> both = compared({"cases": cases, "referents": referents}, design="case_control", exposures="grip")
    >>> both.cases, both.referents, both.unit
    (1, 2, 'move')
    """
    if design not in SAMPLINGS:
        raise OptionError(
            f"design is '{design}'; referents serve {' or '.join(SAMPLINGS)}.{suggestion(design, SAMPLINGS)}"
        )
    cases, referents, athletes = _tables(source)
    _check_days(cases, referents)
    asked = _Asked(
        design,
        *kind_of_referents(referents, design, unit, sampling),
        tuple([exposures] if isinstance(exposures, str) else exposures or ()),
        outcome_of_cases,
    )
    check_exposures(asked.exposures, unit=asked.unit, sampling=asked.sampling)
    beside = _used_referents(referents, asked)
    chosen = _used_cases(cases, beside.used, asked)
    if asked.own:
        beside = _before_the_onset(beside.used, chosen.used, beside.left_out)
    both = nw.concat([_as_rows(chosen.used, athletes, injured=True), _as_rows(beside.used, athletes, injured=False)])
    rows, apart = _of_people(both, people)
    left_out = [
        each for each in (_told("case", chosen.left_out), _told("referent", beside.left_out), apart) if len(each)
    ]
    counts = _counts(rows, asked)
    what = "injury" if outcome_of_cases is None else f"injury with '{outcome_of_cases}'"
    return Comparison(
        rows=rows,
        design=design,
        unit=asked.unit,
        sampling=asked.sampling,
        cases=counts[True],
        referents=counts[False],
        left_out=pd.concat(left_out, ignore_index=True) if left_out else no_rows_left_out(),
        meaning=meaning(asked.sampling, asked.unit, what),
        cannot_mean=cannot_mean(asked.sampling, asked.unit),
        notes=_notes(rows, asked, people),
    )


def _tables(source: Any) -> tuple[nw.LazyFrame[Any], nw.LazyFrame[Any], nw.LazyFrame[Any] | None]:
    if is_view(source):
        return cases_of(source), enter(source.base("referents")), enter(source.base("athletes"))
    if not (isinstance(source, Mapping) and "cases" in source and "referents" in source):
        raise InputError(
            "an opened registry or freeze is needed, or a mapping with the tables 'cases' and 'referents'; got "
            f"{type(source).__name__}."
        )
    cases, referents = enter(source["cases"]), enter(source["referents"])
    require(cases, [(name, "a case's") for name in ("site", "athlete", "onset", "onset_mode")])
    require(referents, [(name, "a referent's") for name in ("site", "unit", "sampling")])
    return cases, referents, enter(source["athletes"]) if "athletes" in source else None


def _check_days(cases: nw.LazyFrame[Any], referents: nw.LazyFrame[Any]) -> None:
    for frame, table, name in ((cases, "cases", "onset"), (referents, "referents", "happened_on")):
        kind = frame.collect_schema().get(name)
        # A column without any value has the type that the database gives it.
        if kind is None or kind.is_temporal() or not len(frame.filter(~nw.col(name).is_null()).head(1).collect()):
            continue
        raise InputError(
            f"'{name}' of the {table} holds {kind_of(kind)}; dates are needed, such as "
            f"pandas.to_datetime(frame['{name}'])."
        )


def _used_referents(referents: nw.LazyFrame[Any], asked: _Asked) -> Any:
    reasons = {"of another unit or sampling": (nw.col("unit") != asked.unit) | (nw.col("sampling") != asked.sampling)}
    if asked.design == "matched":
        require(referents, [(SET_KEY, "the key of a referent's matched set")])
        reasons["without a matched set"] = nw.col(SET_KEY).is_null()
    if asked.own:
        require(referents, [("athlete", "a referent's climber"), ("happened_on", "a referent's day")])
        reasons["day not recorded"] = nw.col("happened_on").is_null()
    return sort_out(referents, reasons)


def _used_cases(cases: nw.LazyFrame[Any], referents: nw.LazyFrame[Any], asked: _Asked) -> Any:
    present = cases.collect_schema().names()
    reasons: dict[str, nw.Expr] = {}
    if asked.outcome_of_cases is not None:
        require(cases, [(asked.outcome_of_cases, "outcome_of_cases")])
        dtype = cases.collect_schema()[asked.outcome_of_cases]
        if dtype != nw.Boolean and not dtype.is_integer():
            raise InputError(f"outcome_of_cases '{asked.outcome_of_cases}' must be true/false, or 0 and 1.")
        has_it = nw.col(asked.outcome_of_cases).cast(nw.Boolean)
        reasons[f"without '{asked.outcome_of_cases}'"] = ~has_it
        reasons[f"'{asked.outcome_of_cases}' not known"] = has_it.is_null()
    if asked.design == "matched":
        require(cases, [(SET_KEY, "the key of a case's matched set")])
        reasons["without a matched set"] = nw.col(SET_KEY).is_null()
    else:
        sites = sorted(referents.select("site").unique().collect()["site"].to_list())
        reasons["at a site without such referents"] = ~nw.col("site").is_in(sites)
    if asked.unit != "climber":
        mode = nw.col("onset_mode")
        reasons[f"gradual onset (happened in no one {asked.unit})"] = mode == "repetitive_gradual"
        reasons["mode of onset not known"] = mode.is_null() | (mode == "unknown")
    if asked.own:
        reasons["built up by repetition (no one moment)"] = nw.col("onset_mode") == "repetitive_sudden"
        if "onset_precision" in present:
            reasons["day of onset not known"] = nw.col("onset_precision").is_in(["week", "month"])
    found = sort_out(cases, reasons)
    if not found.n_used:
        why = "; ".join(f"{row.n}: {row.reason}" for row in found.left_out.itertuples())
        raise DataError(
            f"no case can be compared with the referents (unit {asked.unit}, {asked.sampling}): of {found.n_in} cases "
            f"{why or 'none is there'}."
        )
    return found


def _before_the_onset(referents: nw.LazyFrame[Any], cases: nw.LazyFrame[Any], left_out: pd.DataFrame) -> Any:
    """Keep referents of the case's own climber from days before the onset; those whose case is gone stay."""
    onsets = cases.group_by("site", SET_KEY).agg(case_onset=nw.col("onset").min(), case_athlete=nw.col("athlete").min())
    joined = referents.join(onsets, on=["site", SET_KEY], how="left")
    found = sort_out(
        joined,
        {
            "its case cannot be used": nw.col("case_onset").is_null(),
            "of another climber than its case": (nw.col("athlete") != nw.col("case_athlete"))
            | nw.col("athlete").is_null(),
            "not before the onset": nw.col("happened_on") >= nw.col("case_onset"),
        },
    )
    if not found.n_used:
        why = "; ".join(f"{row.n}: {row.reason}" for row in found.left_out.itertuples())
        raise DataError(f"none of {found.n_in} own earlier referents can be used ({why}).")
    parts = [part for part in (left_out, found.left_out) if len(part)]
    return type(found)(
        used=found.used,
        n_in=found.n_in + int(left_out["n"].sum()),
        n_used=found.n_used,
        left_out=pd.concat(parts, ignore_index=True) if parts else found.left_out,
    )


def _as_rows(frame: nw.LazyFrame[Any], athletes: nw.LazyFrame[Any] | None, *, injured: bool) -> nw.LazyFrame[Any]:
    told = _with_climber(frame, athletes, day="onset" if injured else "happened_on")
    present = told.collect_schema().names()
    texts = [(nw.col(name).cast(nw.String) if name in present else no_text()).alias(name) for name in _TEXTS]
    minor = nw.col("minor").cast(nw.Boolean) if "minor" in present else not_known()
    return told.select(nw.lit(injured).alias(INJURED), *texts, minor=minor)


def _with_climber(frame: nw.LazyFrame[Any], athletes: nw.LazyFrame[Any] | None, *, day: str) -> nw.LazyFrame[Any]:
    """Add climber, set key, season and, where the rows lack it, what is known of their climber."""
    present = frame.collect_schema().names()
    added: dict[str, nw.Expr] = {}
    if "climber" not in present and "athlete" in present:
        added["climber"] = nw.concat_str([nw.col("site"), nw.col("athlete")], separator=":")
    if SET_KEY in present:
        added[SET_KEY] = nw.concat_str([nw.col("site"), nw.col(SET_KEY)], separator=":")
    if "season" not in present and day in present:
        added["season"] = nw.col(day).dt.year().cast(nw.String)
    told = frame.with_columns(**added)
    if athletes is None or "sex" in present or not {"athlete", day} <= set(present):
        return told
    people = athletes.select("site", "athlete", "sex", "level", "dominant_hand", nw.col("birth_year").cast(nw.Int64))
    year, born = nw.col(day).dt.year().cast(nw.Int64), nw.col("birth_year")
    return told.join(people, on=["site", "athlete"], how="left").with_columns(
        age_band=age_band_by_years(year, born), minor=minor_by_years(year, born)
    )


def _told(whose: str, left_out: pd.DataFrame) -> pd.DataFrame:
    return left_out.assign(reason=whose + ": " + left_out["reason"])


def _of_people(rows: nw.LazyFrame[Any], people: str | None) -> tuple[nw.LazyFrame[Any], pd.DataFrame]:
    """Leave out minors or adults; a referent that names no climber stays."""
    if people is None:
        return rows, no_rows_left_out()
    if people not in PEOPLE:
        raise OptionError(f"people is '{people}'; it is one of {', '.join(PEOPLE)}.{suggestion(people, PEOPLE)}")
    minor, nobody = nw.col("minor"), ~nw.col(INJURED) & nw.col("climber").is_null()
    reasons = {
        PEOPLE[people]: minor if people == "adults" else ~minor,
        "age not known": minor.is_null() & ~nobody,
    }
    found = sort_out(rows, reasons)
    return found.used, found.left_out


def _counts(rows: nw.LazyFrame[Any], asked: _Asked) -> dict[bool, int]:
    """Count cases and referents; refuse exposures that none of them has."""
    filled = rows.group_by(INJURED).agg(nw.col(*asked.exposures).count(), n_rows=nw.len()).collect().to_pandas()
    found = {bool(row[INJURED]): row for row in filled.to_dict("records")}
    for injured, whose in ((True, "cases"), (False, f"referents (unit {asked.unit}, {asked.sampling})")):
        if injured not in found:
            raise DataError(f"none of the {whose} is of the people asked for; nothing can be compared.")
        for name in asked.exposures:
            if not found[injured][name]:
                raise DataError(
                    f"'{name}' is recorded for none of the {found[injured]['n_rows']} {whose}, so that cases and "
                    f"referents cannot be compared by it."
                )
    return {injured: int(row["n_rows"]) for injured, row in found.items()}


def _notes(rows: nw.LazyFrame[Any], asked: _Asked, people: str | None) -> tuple[Note, ...]:
    notes = []
    if people is not None:
        nameless = len(rows.filter(~nw.col(INJURED), nw.col("climber").is_null()).select(INJURED).collect())
        if nameless:
            sentence = (
                f"{nameless} referents name no climber, so that their age is not known; they stand beside cases of "
                f"{people} only."
            )
            notes.append(Note("referents_of_any_age", sentence))
    if asked.design == "case_control":
        sites = len(rows.filter(~nw.col(INJURED)).select("site").unique().collect())
        if sites > 1:
            sentence = (
                f"Referents come from {sites} sites, which may have sampled more or fewer of them for each case: "
                f"compare within sites (strata or covariate 'site')."
            )
            notes.append(Note("several_sites", sentence))
    if asked.own:
        sentence = (
            "Each climber stands against their own earlier days: a trend of the exposure over those weeks shifts the "
            "ratio."
        )
        notes.append(Note("exposure_trend", sentence))
    return tuple(notes)
