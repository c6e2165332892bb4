"""The first screen: what a board member wants to know, in plain words."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import narwhals.stable.v2 as nw

from analysis.results import Distribution, IncidenceRates, ReturnCurves
from analysis.returns import return_curves
from analysis.shares import distribution
from analysis.thresholds import MIN_CASES_FOR_MEDIAN, SMALL_CELL
from reports import document as doc
from reports import wording
from reports.document import Block, Cell, Headline, Headlines, Listing, Paragraph, Section, Words
from reports.frames import records
from reports.season.material import ADULT, Gap, Material, attempt, number

RANGES = (
    "Ranges are 95 % limits: the range of values that the data are compatible with. ",
    "A wide range means that the number is uncertain, not that something is wrong.",
)
GRADUAL = "repetitive_gradual"
PULLEY_TIERS = ("pulley_1", "pulley_2", "pulley_3", "pulley_4")


def section(material: Material) -> Section:
    """Return the headline section."""
    rates = material.rates()
    half = _half_back(attempt(return_curves, material.cases(), by=None)) if material.fingers else None
    tiles = _headlines(material, rates, half)
    points = _points(material, rates, half)
    blocks: list[Block] = [Paragraph(_lead(material), role="lead")]
    if len(tiles) > 1:
        blocks.append(Headlines(tuple(tiles)))
    if points:
        blocks.append(Listing(tuple(points)))
    cells = [*(tile.cell for tile in tiles), *(word for point in points for word in point if isinstance(word, Cell))]
    if any(cell.low is not None for cell in cells):
        blocks.append(Paragraph(RANGES, role="note"))
    return Section(key="headline", title="In short", blocks=tuple(blocks))


def spoken_day(day: date) -> str:
    """Say a day.

    Examples
    --------
    >>> spoken_day(date(2031, 3, 7))
    '7 March 2031'
    """
    # No strftime: its month names follow the machine's locale.
    names = "January February March April May June July August September October November December"
    return f"{day.day} {names.split()[day.month - 1]} {day.year}"


def _lead(material: Material) -> Words:
    days = f"{spoken_day(material.period.starts_on)} to {spoken_day(material.period.ends_on)}"
    if not material.fingers:
        return (f"No finger injury that began from {days} is in this registry.",)
    minors: Words = (
        " Of these fingers, ",
        number(material.minors, "injured fingers of under-18s"),
        _plural(material.minors, " was of a climber", " were of climbers"),
        " under 18; return times and odds ratios leave them out, and they have a section of their own.",
    )
    return (
        f"From {days}, ",
        number(material.fingers, "injured fingers"),
        _plural(material.fingers, " finger was hurt", " fingers were hurt"),
        ", in ",
        number(material.occurrences, "injury events"),
        _plural(material.occurrences, " event to ", " events to "),
        number(material.climbers_hurt, "climbers"),
        _plural(material.climbers_hurt, " climber.", " climbers."),
        *(minors if material.minors else ()),
    )


def _plural(n: int, one: str, more: str) -> str:
    return one if n == 1 else more


def _headlines(material: Material, rates: IncidenceRates | Gap, half: doc.Cell | None) -> list[Headline]:
    items = [Headline("fingers", number(material.fingers, "injured fingers"), ("injured fingers",))]
    overall = overall_rate(rates)
    if overall is not None:
        whole = _rate_cell(overall, rates)
        words: Words = (
            f"injury events per 1000 hours of climbing, {_limits_of(whole)}, ",
            *_events_in(material, overall),
        )
        items.append(Headline("rate", _without_limits(whole), words))
        hours = doc.hours(overall["exposure"] * 60, of_what="observed climbing")
        items.append(Headline("hours", hours, ("hours of climbing watched",)))
    if half is not None:
        said = "days until half of the injured adults not yet back when first seen climbed fully again"
        words = (f"{said}, all injuries together, {_limits_of(half)}",)
        items.append(Headline("half_back", _without_limits(half), words))
    return items


def _events_in(material: Material, overall: dict[str, Any]) -> Words:
    """Say how many of the injury events a rate rests on."""
    events = doc.count(overall["events"], of_what="injury events")
    if overall["events"] == material.occurrences:
        return ("from ", events, _plural(material.occurrences, " event", " events"))
    total = doc.count(material.occurrences, of_what="injury events")
    return ("from ", events, " of ", total, " events; the others have no noted climbing time")


def _without_limits(cell: doc.Cell) -> doc.Cell:
    return replace(cell, shown=cell.shown.split(" (")[0])


def _limits_of(cell: doc.Cell) -> str:
    return "95 % limits " + cell.shown.partition(" (")[2].removesuffix(")")


def _rate_cell(row: dict[str, Any], rates: IncidenceRates | Gap) -> doc.Cell:
    """Return the rate with the limits that respect repeaters, or the exact ones where there are no such."""
    kind = "robust" if _has_robust(row) else "conf"
    cell = doc.rate(
        row["estimate"],
        per="1000 hours",
        exposure=row["exposure"],
        of_what="injury events",
        low=row[f"{kind}_low"],
        high=row[f"{kind}_high"],
    )
    return replace(cell, method="" if isinstance(rates, Gap) else rates.method)


def _has_robust(row: dict[str, Any]) -> bool:
    return not (wording.is_missing(row.get("robust_low")) or wording.is_missing(row.get("robust_high")))


def overall_rate(rates: IncidenceRates | Gap) -> dict[str, Any] | None:
    """Return the row of the rate per hours over everything, if there is one."""
    if isinstance(rates, Gap):
        return None
    rows = [row for row in records(rates.table) if row["denominator"] == "hours"]
    return rows[0] if rows else None


def _half_back(curves: ReturnCurves | Gap) -> doc.Cell | None:
    if isinstance(curves, Gap):
        return None
    for row in records(curves.quantiles):
        if row["probability"] == 0.5 and not wording.is_missing(row["estimate"]):
            return _day_cell(row, curves)
    return None


def _day_cell(row: dict[str, Any], curves: ReturnCurves) -> doc.Cell:
    cell = doc.days(
        row["estimate"],
        of_what="half of the cases back",
        low=row["conf_low"],
        high=row["conf_high"],
        with_limits=True,
    )
    return replace(cell, method=curves.method)


def _points(material: Material, rates: IncidenceRates | Gap, half: doc.Cell | None) -> list[Words]:
    if not material.fingers:
        return _rate_words(material, rates)
    points: list[Words] = []
    points += _most(attempt(distribution, material.cases(), by="digit"), "digit", "Most frequent finger", "fingers")
    found = attempt(distribution, material.findings(), by="structure")
    points += _most(found, "structure", "Most frequent structure", "fingers with a finding")
    points += _mechanism_words(material)
    points += _rate_words(material, rates)
    points += _tier_words(attempt(return_curves, material.cases(ADULT), by="tier"), half)
    return points


def _most(result: Distribution | Gap, column: str, what: str, counted: str) -> list[Words]:
    if isinstance(result, Gap):
        return []
    known = [row for row in records(result.table) if _is_known(row[column])]
    top = max(known, key=lambda row: int(row["n"]), default=None)
    if top is None or top["n"] < SMALL_CELL or sum(row["n"] == top["n"] for row in known) > 1:
        return [(f"{what}: {wording.TOO_FEW}.",)]
    return [(f"{what}: {wording.label(top[column], column=column)}, ", *_share_words(result, top, counted), ".")]


def _share_words(result: Distribution, row: dict[str, Any], counted: str) -> Words:
    share = doc.share(row["estimate"], of=row["of"], of_what=counted, low=row["conf_low"], high=row["conf_high"])
    n = doc.count(row["n"], of_what=counted, denominator=row["of"])
    of = doc.count(row["of"], of_what=counted)
    return (n, " of ", of, f" {counted}, ", replace(share, method=result.method))


def _mechanism_words(material: Material) -> list[Words]:
    """Say the mechanism of what happened at one moment, and the gradual onsets apart: those have no mechanism."""
    sudden = material.cases(nw.col("onset_mode") == "sudden")
    result = attempt(distribution, sudden, by="mechanism")
    said = _most(result, "mechanism", "Most frequent mechanism of a sudden injury", "fingers with a sudden onset")
    onset = attempt(distribution, material.cases(), by="onset_mode")
    if not isinstance(onset, Gap):
        rows = [row for row in records(onset.table) if row["onset_mode"] == GRADUAL and row["n"]]
        said += [
            ("Gradual onset, without a single mechanism: ", *_share_words(onset, row, "fingers"), ".") for row in rows
        ]
    return said


def _is_known(level: Any) -> bool:
    return not wording.is_missing(level) and level not in ("unknown", "not_applicable", wording.NOT_RECORDED)


def _rate_words(material: Material, rates: IncidenceRates | Gap) -> list[Words]:
    if isinstance(rates, Gap):
        return [("How often per hour of climbing: too few to tell. ", rates.sentence)]
    overall = overall_rate(rates)
    if overall is None:
        return []
    rate = _rate_cell(overall, rates)
    limits = "limits that respect repeaters, " if _has_robust(overall) else "exact limits, "
    return [
        (
            "Injury events per 1000 hours of climbing: ",
            rate,
            f"; {limits}",
            *_events_in(material, overall),
            ". What counts as an injury differs between sites; see Methods.",
        )
    ]


def _tier_words(curves: ReturnCurves | Gap, half: doc.Cell | None) -> list[Words]:
    what = "How long until people climb again" if half is None else "By pulley grade"
    if isinstance(curves, Gap):
        return [(f"{what}: too few to tell. ", curves.sentence)]
    said: list[Words] = []
    halves = {row["group"]: row for row in records(curves.quantiles) if row["probability"] == 0.5}
    sizes = {row["group"]: int(row["n"]) for row in records(curves.groups)}
    for tier in PULLEY_TIERS:
        row = halves.get(tier)
        if row is None or sizes[tier] < MIN_CASES_FOR_MEDIAN:
            continue
        of = doc.count(sizes[tier], of_what="adults' injured fingers", denominator=sizes[tier])
        name = wording.label(tier, column="tier")
        if wording.is_missing(row["estimate"]):
            said.append((f"{name} (adults): of ", of, ", half were not seen back at full climbing."))
            continue
        day = _day_cell(row, curves)
        said.append((f"{name} (adults): of ", of, ", half were back at full climbing by day ", day, "."))
    return said or [(f"{what}: {wording.TOO_FEW}.",)]
