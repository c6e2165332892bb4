"""Rates as a table, with where every occurrence went and what the sites' figures rest on."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from analysis.results import EventRates, IncidenceRates
from reports import document as doc
from reports import rounding, wording
from reports.document import Cell, Column, Table
from reports.frames import records
from reports.tables.beside import row_name, said

STANDINGS = {
    "counted": "counted in the rates",
    "prevalent": "began before the observed time (prevalent)",
    "uncovered": "inside the observed time, but without climbing time noted for it",
    "outside_observation": "outside the observed time",
    "not_observed": "of climbers whose time was not watched",
    "site_without_observation": "of sites that deliver no observation",
}


def rate_tables(result: EventRates, key: str) -> tuple[Table, ...]:
    """Return rates as tables."""
    with_robust = "robust_low" in result.table.columns
    several = "denominator" in result.table.columns
    columns = [Column(name, wording.column_label(name)) for name in result.by] or [Column("group", "Group")]
    labels = len(columns)
    if several:
        columns.append(Column("denominator", "Per"))
        labels += 1
    columns += [
        Column("events", "Events"),
        Column("exposure", "Exposure"),
        Column("rate", "Rate (exact limits)"),
    ]
    if with_robust:
        columns.append(Column("rate_robust", "Limits that respect repeaters"))
    rows = tuple(_rate_row(result, row, several=several, robust=with_robust) for row in records(result.table))
    main = Table(
        key=key,
        caption=f"{wording.unit(result.unit).capitalize()} per {rounding.count(result.per)} "
        f"{'hours or sessions' if several else result.exposure_unit}.",
        unit=wording.unit(result.unit),
        columns=tuple(columns),
        rows=rows,
        method=result.method,
        notes=said(result),
        labels=labels,
    )
    further: list[Table] = []
    if isinstance(result, IncidenceRates) and not result.counted.empty:
        further.append(counted_table(result, key=f"{key}_counted"))
        further.append(sites_table(result, key=f"{key}_sites"))
    return (main, *further)


def _rate_row(result: EventRates, row: dict[str, Any], *, several: bool, robust: bool) -> tuple[Cell, ...]:
    labels = [doc.code(row[name], column=name) for name in result.by] or [doc.text("all")]
    exposure_unit = str(row["denominator"]) if several else result.exposure_unit
    if several:
        labels.append(doc.text(f"{rounding.count(result.per)} {exposure_unit}"))
    own = row_name(labels)
    rate = doc.rate(
        row["estimate"],
        per=f"{rounding.count(result.per)} {exposure_unit}",
        exposure=row["exposure"],
        of_what=wording.unit(result.unit),
        low=row["conf_low"],
        high=row["conf_high"],
    )
    exposure = doc.number(row["exposure"], of_what="exposure", unit=exposure_unit, decimals=0)
    cells = [
        *labels,
        doc.count(row["events"], of_what=wording.unit(result.unit)),
        _grouped(exposure),
        doc.with_sources(rate, f"{own}/events", f"{own}/exposure"),
    ]
    if robust:
        cells.append(_robust_cell(result, row, own))
    return tuple(cells)


def _grouped(cell: Cell) -> Cell:
    return replace(cell, shown=rounding.count(float(cell.value))) if cell.is_number and cell.value is not None else cell


def _robust_cell(result: EventRates, row: dict[str, Any], own: str) -> Cell:
    low, high = row["robust_low"], row["robust_high"]
    if wording.is_missing(low) or wording.is_missing(high):
        return doc.text(rounding.NOT_ESTIMABLE)
    decimals = rounding.decimals_for(row["estimate"] or high)
    shown = rounding.limits(rounding.rate(low, decimals=decimals), rounding.rate(high, decimals=decimals))
    cell = Cell(
        kind="rate",
        shown=shown,
        value=float(row["estimate"]),
        low=float(low),
        high=float(high),
        unit=f"per {rounding.count(result.per)}",
        of_what=wording.unit(result.unit),
        denominator=float(row["exposure"]),
    )
    return doc.with_sources(cell, f"{own}/events", f"{own}/exposure")


def counted_table(result: IncidenceRates, *, key: str) -> Table:
    """Return where every occurrence went: counted, prevalent, uncovered, and so on."""
    rows = [
        (
            Cell(
                kind="text",
                shown=STANDINGS.get(str(row["standing"]), str(row["standing"])),
                value=str(row["standing"]),
            ),
            doc.count(row["n"], of_what=wording.unit(result.unit)),
        )
        for row in records(result.counted)
    ]
    return Table(
        key=key,
        caption="Where every injury event went.",
        unit=wording.unit(result.unit),
        columns=(Column("standing", "Injury events"), Column("n", "n")),
        rows=tuple(rows),
        method=result.method,
    )


def sites_table(result: IncidenceRates, *, key: str) -> Table:
    """Return the sites with what must stand beside every rate."""
    names = ("site", "case_definition", "consecutive", "exposure_method")
    rows = [
        (doc.text(row["site"]), *(doc.code(row[name], column=name) for name in names[1:]))
        for row in records(result.sites)
    ]
    return Table(
        key=key,
        caption="What stands behind the rates, site by site.",
        unit="sites",
        columns=tuple(Column(name, wording.column_label(name)) for name in names),
        rows=tuple(rows),
    )
