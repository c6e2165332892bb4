"""Survival and return curves as tables: quartiles a group, and shares back at the horizons."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from analysis.results import ReturnCurves, SurvivalCurves
from analysis.thresholds import MIN_CASES_FOR_MEDIAN
from reports import document as doc
from reports import rounding, wording
from reports.document import Cell, Column, Table
from reports.frames import of_group, records
from reports.tables.beside import level_words, said, tests_table

QUARTILES = {0.25: "a quarter back", 0.5: "half back", 0.75: "three quarters back"}


def curve_tables(result: SurvivalCurves, key: str) -> tuple[Table, ...]:
    """Return curves as tables: quartiles, and for return curves the shares back."""
    back = isinstance(result, ReturnCurves)
    columns = [
        Column("group", "Group" if result.by is None else wording.column_label(result.by)),
        Column("n", "n"),
        Column("events", "Back" if back else "Events"),
        Column("censored", "Not seen back" if back else "Censored"),
    ]
    quartiles = {p: words if back else f"{p:.0%}" for p, words in QUARTILES.items()}
    columns += [Column(f"q{round(p * 100)}", f"Day: {words}") for p, words in quartiles.items()]
    rows = tuple(_curve_row(result, row) for row in records(result.groups))
    main = Table(
        key=key,
        caption=f"Days to {wording.milestone(result.milestone, sustained=result.sustained)}."
        if isinstance(result, ReturnCurves)
        else f"Time to the event, in {result.time_unit}.",
        unit=result.unit,
        columns=tuple(columns),
        rows=rows,
        method=result.method,
        notes=said(result),
    )
    shares = (_shares_back_table(result, key),) if isinstance(result, ReturnCurves) else ()
    return (main, *shares, *tests_table(result.tests, key, result.method))


def _curve_row(result: SurvivalCurves, about: dict[str, Any]) -> tuple[Cell, ...]:
    cells: list[Cell] = [
        doc.text("all") if result.by is None else doc.code(about["group"], column=result.by),
        doc.count(about["n"], of_what=result.unit),
        doc.count(about["events"], of_what=result.unit, denominator=about["n"]),
        doc.count(about["censored"], of_what=result.unit, denominator=about["n"]),
    ]
    own = "all" if result.by is None else str(cells[0].value or "not_recorded")
    quartiles = of_group(result.quantiles, about["group"])
    known = {round(float(row["probability"]), 6): row for row in records(quartiles)}
    for probability in QUARTILES:
        row = known.get(probability)
        if row is None or about["n"] < MIN_CASES_FOR_MEDIAN:
            cells.append(doc.text(wording.TOO_FEW))
            continue
        ends = {"low": row["conf_low"], "high": row["conf_high"]}
        day = doc.days(row["estimate"], of_what=f"{probability:.0%} of {result.unit}", with_limits=True, **ends)
        cells.append(doc.with_sources(day, f"{own}/n", f"{own}/events"))
    return tuple(cells)


def _shares_back_table(result: ReturnCurves, key: str) -> Table:
    table = result.shares_back
    days = sorted(set(table["day"]))
    sizes = {_word(row["group"]): row["n"] for row in records(result.groups)}
    columns = [Column("group", "Group" if result.by is None else wording.column_label(result.by))]
    begins = "from_day" in table.columns
    columns += [Column("from_day", "From day")] if begins else []
    for day in days:
        columns += [
            Column(f"back_{day}", f"Back at {rounding.months(int(day))}"),
            Column(f"risk_{day}", "at risk"),
        ]
    rows = []
    for group in dict.fromkeys(table["group"]):
        label = doc.text("all") if result.by is None else doc.code(group, column=result.by)
        own = str(label.value or "not_recorded")
        places = {row["day"]: row for row in records(of_group(table, group))}
        cells = [label]
        if begins:
            cells.append(_from_day(places[days[0]]["from_day"]))
        for day in days:
            row = places[day]
            share = _share_back(row, sizes[_word(group)], result.unit)
            cells.append(share if share.kind == "text" else doc.with_sources(share, f"{own}/risk_{day}"))
            cells.append(doc.count(row["at_risk"], of_what=f"{result.unit} at risk"))
        rows.append(tuple(cells))
    return Table(
        key=f"{key}_shares",
        caption=f"Share back at {wording.milestone(result.milestone, sustained=result.sustained)} "
        f"(1 − Kaplan-Meier, {level_words(result)} limits), with the number still at risk just before.",
        unit=result.unit,
        columns=tuple(columns),
        rows=tuple(rows),
        method=result.method,
    )


def _from_day(day: Any) -> Cell:
    return doc.text("") if wording.is_missing(day) else doc.days(day, of_what="first day of the curve")


def _share_back(row: dict[str, Any], size: int, unit: str) -> Cell:
    """Return a share back; too few cases carry none, and a curve at 0 has no limits to speak of."""
    if size < MIN_CASES_FOR_MEDIAN:
        return doc.text(wording.TOO_FEW)
    share = doc.share(row["estimate"], of=size, of_what=unit, low=row["conf_low"], high=row["conf_high"])
    return replace(share, shown=wording.ALL_BACK) if share.value == 1 else share


def _word(group: Any) -> str:
    return "" if wording.is_missing(group) else str(group)
