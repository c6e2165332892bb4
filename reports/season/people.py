"""Who climbs, how much, and who was hurt."""

from __future__ import annotations

from typing import Any

from analysis.shares import distribution
from reports import document as doc
from reports import wording
from reports.document import Block, Column, Paragraph, Section, Table
from reports.frames import records
from reports.season.material import ALL_AGES, Gap, Material, attempt, shown

CLIMBING_BY = ("site", "sex", "age_band", "level", "discipline")
HURT_BY = ("sex", "age_band", "level")


def section(material: Material) -> Section:
    """Return the section on people and climbing time."""
    blocks: list[Block] = [
        Paragraph(
            (
                "Climbing time counts only where a climber or squad was watched and the time was noted; "
                "a squad's time counts as one row for the whole squad. "
                f"{ALL_AGES}",
            )
        )
    ]
    blocks += _climbing(material)
    for column in HURT_BY:
        result = attempt(distribution, material.cases(), by=column)
        blocks += shown(result, key=f"hurt_by_{column}", caption="", picture=None, tables=1)
    return Section(key="people", title="Who climbs, how much, and who was hurt", blocks=tuple(blocks))


def _climbing(material: Material) -> list[Block]:
    blocks: list[Block] = []
    rows: list[dict[str, Any]] = []
    for column in CLIMBING_BY:
        result = material.rates(column)
        if isinstance(result, Gap):
            return [result.block()]
        rows += [{**row, "by": column, "value": row[column]} for row in records(result.table)]
    blocks.append(_climbing_table(rows))
    return blocks


def _climbing_table(rows: list[dict[str, Any]]) -> Table:
    sessions = {(row["by"], str(row["value"])): row["exposure"] for row in rows if row["denominator"] == "sessions"}
    lines = []
    for row in rows:
        if row["denominator"] != "hours" or not row["climbers"]:
            continue
        noted = sessions.get((row["by"], str(row["value"])))
        lines.append(
            (
                doc.text(wording.column_label(row["by"])),
                doc.text(row["value"]) if row["by"] == "site" else doc.code(row["value"], column=row["by"]),
                doc.count(row["climbers"], of_what="climbers watched"),
                doc.hours(row["exposure"] * 60, of_what="observed climbing"),
                doc.text(wording.NOT_RECORDED) if noted is None else doc.count(noted, of_what="sessions"),
            )
        )
    return Table(
        key="climbing",
        caption="Climbers watched and climbing time. A climber may stand in several rows.",
        unit="climbers, hours, sessions",
        columns=(
            Column("by", "By"),
            Column("value", ""),
            Column("climbers", "Climbers"),
            Column("hours", "Hours"),
            Column("sessions", "Sessions"),
        ),
        rows=tuple(lines),
        method="Sums of the climbing time inside observation.",
        labels=2,
    )
