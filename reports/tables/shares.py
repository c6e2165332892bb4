"""Distributions as tables: one row a value, or a cross-table of counts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from analysis.results import Distribution, DistributionComparison
from reports import document as doc
from reports import wording
from reports.document import Cell, Column, Table
from reports.frames import records
from reports.pictures.heat import MOST_ROWS, order
from reports.tables.beside import level_words, row_name, said, spoken_list, tests_table

MARKS_MEAN = (
    "+ or - behind a count: clearly more or fewer than if rows and columns were unrelated, when all cells are looked "
    "at together."
)


def distribution_tables(result: Distribution, key: str) -> tuple[Table, ...]:
    """Return a distribution as tables: shares, or a cross-table of counts."""
    if isinstance(result, DistributionComparison):
        return _comparison_tables(result, key)
    if len(result.by) == 2:
        main = _cross_table(result, key)
    else:
        listed, blank = _without_blanks(records(result.table))
        rows = [_share_row(result, row) for row in listed]
        columns = [Column(name, wording.column_label(name)) for name in result.by]
        columns += [Column("n", "n"), Column("share", f"Share ({level_words(result)} limits)")]
        main = Table(
            key=key,
            caption=f"Distribution by {spoken_list(result.by)}.",
            unit=result.unit,
            columns=tuple(columns),
            rows=tuple(rows),
            method=result.method,
            notes=(*blank, *said(result)),
            labels=len(result.by),
        )
    return (main, *tests_table(result.tests, key, result.method), *_association_table(result, key))


def limits_table(result: Distribution, key: str) -> Table:
    """Return all limits of the shares: one by one, all together, and by a bootstrap over climbers."""
    heads = {"conf": "One by one", "sim": "All rows together", "beside": "Bootstrap over climbers"}
    kinds = [kind for kind in heads if result.table[f"{kind}_low"].notna().any()]
    rows = []
    for row in records(result.table):
        if row["n"] or len(result.by) == 1:
            labels = [doc.code(row[name], column=name) for name in result.by]
            share = doc.share(row["estimate"], of=row["of"], of_what=result.unit)
            cells = [_limits(row, kind, of_what=result.unit, derived=f"{row_name(labels)}/n") for kind in kinds]
            rows.append((*labels, share, *cells))
    return Table(
        key=f"{key}_limits",
        caption=f"Limits of the shares ({level_words(result)}).",
        unit=result.unit,
        columns=(
            *(Column(name, wording.column_label(name)) for name in result.by),
            Column("share", "Share"),
            *(Column(kind, heads[kind]) for kind in kinds),
        ),
        rows=tuple(rows),
        method=result.method,
        labels=len(result.by),
    )


def _limits(row: dict[str, Any], kind: str, *, of_what: str, derived: str) -> Cell:
    low, high = row[f"{kind}_low"], row[f"{kind}_high"]
    if wording.is_missing(low):
        return doc.text(wording.NO_VALUE)
    shown = doc.share(row["estimate"], of=row["of"], of_what=of_what, low=low, high=high)
    return doc.with_sources(replace(shown, shown=shown.shown.partition("(")[2].removesuffix(")")), derived)


def _association_table(result: Distribution, key: str) -> tuple[Table, ...]:
    if result.association.empty:
        return ()
    rows = tuple(
        (
            doc.code(row["measure"]),
            doc.number(row["estimate"], of_what="association"),
            doc.text(wording.NO_VALUE)
            if wording.is_missing(row["conf_low"])
            else doc.text(f"{row['conf_low']:.2f} to {row['conf_high']:.2f}"),
        )
        for row in records(result.association)
    )
    return (
        Table(
            key=f"{key}_association",
            caption="How strongly they go together (0: not at all).",
            unit="",
            columns=(
                Column("measure", "Measure"),
                Column("estimate", "Value"),
                Column("limits", f"{level_words(result)} limits"),
            ),
            rows=rows,
            method=result.method,
            labels=1,
        ),
    )


def _comparison_tables(result: DistributionComparison, key: str) -> tuple[Table, ...]:
    """Return two groups side by side, with their differences in percentage points."""
    (by,), listed = result.by, [row for row in records(result.table) if row["first_n"] or row["second_n"]]
    words = [wording.label(word, column=result.between) for word in (result.first, result.second)]
    rows = []
    for row in listed:
        label = doc.code(row[by], column=by)
        name, cells = row_name([label]), [label]
        for group in ("first", "second"):
            of = row[f"{group}_of"]
            cells.append(doc.count(row[f"{group}_n"], of_what=result.unit, denominator=of))
            share = doc.share(row[f"{group}_share"], of=of, of_what=result.unit)
            cells.append(doc.with_sources(share, f"{name}/{group}_n"))
        sources = (f"{name}/first_n", f"{name}/second_n")
        cells.append(doc.with_sources(_points(row, result.unit), *sources))
        cells.append(doc.with_sources(doc.number(row["standardised"], of_what="standardised difference"), *sources))
        rows.append(tuple(cells))
    columns = [Column(by, wording.column_label(by))]
    for group, word in zip(("first", "second"), words, strict=True):
        columns += [Column(f"{group}_n", f"{word}: n"), Column(f"{group}_share", f"{word}: share")]
    columns += [
        Column("difference", f"Difference, points ({level_words(result)} limits)"),
        Column("standardised", "Standardised difference"),
    ]
    blank = len(result.table) - len(listed)
    main = Table(
        key=key,
        caption=f"{wording.column_label(by)} in {words[1]} against {words[0]}.",
        unit=result.unit,
        columns=tuple(columns),
        rows=tuple(rows),
        method=result.method,
        notes=(*((_not_listed(blank),) if blank else ()), *said(result)),
        labels=1,
    )
    return (main, *tests_table(result.tests, key, result.method), *_association_table(result, key))


def _points(row: dict[str, Any], of_what: str) -> Cell:
    """Return a difference of shares in percentage points."""
    if wording.is_missing(row["estimate"]):
        return doc.text(wording.NO_VALUE)
    value, low, high = (_signed(100 * row[name]) for name in ("estimate", "conf_low", "conf_high"))
    cell = doc.number(row["estimate"], of_what=f"difference of shares of {of_what}")
    return replace(cell, shown=f"{value} ({low} to {high})", low=row["conf_low"], high=row["conf_high"])


def _signed(points: float) -> str:
    return f"{points:+.0f}".replace("-", "−") if round(points) else "0"


def _without_blanks(rows: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], tuple[str, ...]]:
    """Leave out rows without any count where a code list is too long to read."""
    counted = [row for row in rows if row["n"]]
    if len(rows) <= MOST_ROWS or len(counted) == len(rows):
        return rows, ()
    return counted, (_not_listed(len(rows) - len(counted)),)


def _not_listed(blank: int) -> str:
    return f"Not listed: {blank} that {'does' if blank == 1 else 'do'} not occur."


def _share_row(result: Distribution, row: dict[str, Any]) -> tuple[Cell, ...]:
    labels = [doc.code(row[name], column=name) for name in result.by]
    own = row_name(labels)
    share = doc.share(row["estimate"], of=row["of"], of_what=result.unit, low=row["conf_low"], high=row["conf_high"])
    counted = doc.count(row["n"], of_what=result.unit, denominator=row["of"])
    return (*labels, counted, doc.with_sources(share, f"{own}/n"))


def _cross_table(result: Distribution, key: str) -> Table:
    table = result.table
    down, across = order(table, result.by)
    heads = list(dict.fromkeys(table[across]))
    cells: dict[tuple[str, str], Cell] = {}
    for row in records(table):
        impossible = bool(row.get("impossible", False))
        cell = (
            doc.text(wording.NO_VALUE)
            if impossible
            else _marked(doc.count(row["n"], of_what=result.unit, denominator=row["of"]), row.get("marked"))
        )
        cells[(_word(row[down]), _word(row[across]))] = cell
    rows = []
    for value in dict.fromkeys(table[down]):
        line = [cells.get((_word(value), _word(head)), doc.text(wording.NO_VALUE)) for head in heads]
        if any(cell.value for cell in line if cell.kind == "count"):
            rows.append((doc.code(value, column=down), *line))
    blank = table[down].nunique(dropna=False) - len(rows)
    notes = (_not_listed(blank),) if blank else ()
    dashed = any(cell.shown == wording.NO_VALUE for row in rows for cell in row)
    marks = (MARKS_MEAN,) if (table["marked"] != "").any() else ()
    dashes = (f"{wording.NO_VALUE} means: cannot be.",) if dashed else ()
    return Table(
        key=key,
        caption=f"{wording.column_label(down)} by {wording.column_label(across).lower()}.",
        unit=result.unit,
        columns=(
            Column(down, wording.column_label(down)),
            *(Column(_word(head), wording.label(head, column=across)) for head in heads),
        ),
        rows=tuple(rows),
        method=result.method,
        notes=(*marks, *dashes, *notes, *said(result)),
    )


def _word(value: Any) -> str:
    return "not_recorded" if wording.is_missing(value) else str(value)


def _marked(cell: Cell, mark: Any) -> Cell:
    return replace(cell, shown=f"{cell.shown} {mark}") if mark else cell
