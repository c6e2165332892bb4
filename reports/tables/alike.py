"""How many climbers share the same look, as tables of typed cells."""

from __future__ import annotations

from analysis.alike import Likeness
from reports import document as doc
from reports import wording
from reports.document import Cell, Column, Table
from reports.frames import records


def alike_tables(result: Likeness, key: str) -> tuple[Table, ...]:
    """Return the summary, who stands in small groups, the smallest cells as counts, and what would help.

    The combinations themselves follow only where the result holds them.
    """
    tables = [_summary(result, key), _below(result, key), _sizes(result, key), _helps(result, key)]
    return (*tables, _cells(result, key)) if len(result.cells) else tuple(tables)


def _summary(result: Likeness, key: str) -> Table:
    told = f"Climbers whose look tells their {_word(result.sensitive)} (everyone alike has the same)"
    rows = (
        (doc.text("Climbers"), doc.count(result.climbers, of_what="climbers")),
        (doc.text("k: climbers in the smallest group"), doc.count(result.k, of_what="climbers")),
        (
            doc.text(f"l: fewest values of {_word(result.sensitive)} in a group"),
            doc.count(result.l_diversity, of_what="values"),
        ),
        (doc.text(told), doc.count(result.told_by_look, of_what="climbers", denominator=result.climbers)),
    )
    looked = ", ".join(_word(name) for name in result.by)
    return Table(
        key=key,
        caption=f"Climbers who look alike in {looked}.",
        unit="climbers",
        columns=(Column("what", ""), Column("n", "n")),
        rows=rows,
        method=result.method,
    )


def _below(result: Likeness, key: str) -> Table:
    rows = tuple(
        (
            doc.text(f"fewer than {row['below']} climbers"),
            doc.count(row["groups"], of_what="groups"),
            doc.count(row["climbers"], of_what="climbers", denominator=result.climbers),
            doc.share(row["share_of_climbers"], of=result.climbers, of_what="climbers"),
            doc.count(row["cases"], of_what="cases", denominator=result.n_rows_used),
        )
        for row in records(result.table)
    )
    return Table(
        key=f"{key}_below",
        caption="Climbers who stand in a small group.",
        unit="climbers",
        columns=(
            Column("below", "Group of"), Column("groups", "Groups"), Column("climbers", "Climbers"),
            Column("share", "Share"), Column("cases", "Cases"),
        ),
        rows=rows,
        method=result.method,
    )  # fmt: skip


def _sizes(result: Likeness, key: str) -> Table:
    rows = tuple(
        (
            doc.text(str(row["climbers_in_group"])),
            doc.count(row["groups"], of_what="groups"),
            doc.count(row["cases"], of_what="cases"),
        )
        for row in records(result.sizes)
    )
    return Table(
        key=f"{key}_sizes",
        caption="The smallest cells.",
        unit="groups",
        columns=(Column("size", "Climbers in the group"), Column("groups", "Groups"), Column("cases", "Cases")),
        rows=rows,
        method=result.method,
    )


def _helps(result: Likeness, key: str) -> Table:
    rows = tuple(
        (
            doc.text("as it is" if row["change"] == "none" else _changed(row["change"], row["column"])),
            doc.count(row["climbers_below_5"], of_what="climbers", denominator=result.climbers),
            doc.count(row["climbers_alone"], of_what="climbers", denominator=result.climbers),
            doc.count(row["k"], of_what="climbers"),
            doc.count(row["l"], of_what="values"),
        )
        for row in records(result.helps)
    )
    return Table(
        key=f"{key}_helps",
        caption="What a single change would do, the most helpful first.",
        unit="climbers",
        columns=(
            Column("change", "Change"), Column("below_5", "Climbers in groups below 5"),
            Column("alone", "Climbers who look like nobody else"), Column("k", "k"),
            Column("l", "l"),
        ),
        rows=rows,
        method=result.method,
    )  # fmt: skip


def _cells(result: Likeness, key: str) -> Table:
    counted = ("climbers", "cases", "distinct")
    columns = [Column(name, wording.column_label(name)) for name in result.by]
    columns += [Column("climbers", "Climbers"), Column("cases", "Cases"), Column("distinct", "Values")]
    rows: list[tuple[Cell, ...]] = [
        (
            *(doc.code(row[name], column=name) for name in result.by),
            *(doc.count(row[name], of_what=name) for name in counted),
        )
        for row in records(result.cells)
    ]
    return Table(
        key=f"{key}_cells",
        caption="INTERNAL: the combinations of fewer than 5 climbers. Each line points at people.",
        unit="climbers",
        columns=tuple(columns),
        rows=tuple(rows),
        method=result.method,
        labels=len(result.by),
    )


def _changed(change: str, column: str) -> str:
    return change.replace(column, _word(column), 1)


def _word(name: str) -> str:
    return wording.column_label(name).lower()
