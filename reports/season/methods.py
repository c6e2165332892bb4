"""Methods: the sites and their definitions, and how each figure was computed."""

from __future__ import annotations

from typing import Any

from reports import document as doc
from reports import rounding, wording
from reports.document import Block, Column, Listing, Paragraph, Section, Table
from reports.frames import records
from reports.season.material import Material

SITE_COLUMNS = ("kind", "case_definition", "consecutive", "exposure_method")
CADENCE = "contact_cadence_days"
ACCOUNT = (
    "A case is an injured finger; an injury event may hurt several fingers. Shares count fingers or structures, "
    "rates count events; every table prints its unit.",
    "The severity tier of a case comes from findings known by day 28, never from how long it took.",
    "Pulley grades after Schöffl et al. 2003 (Wilderness Environ Med 14:94-100); where that scheme is silent the "
    "registry's own rules hold, printed with its derivation.",
    "Limits are 95 % limits. Climbers who appear more than once are respected in the limits of shares and rates.",
    "Times to return are Kaplan-Meier estimates with late entry at the day the case was first seen; a "
    "return known only "
    "to lie between two contacts is set to the later contact.",
    "Limits of times to return take cases as independent, although some climbers have several.",
    "Seasons, definitions and reporting: after the consensus statement of Bahr et al. 2020 (Br J Sports Med "
    "54:372-389).",
)


def section(material: Material, methods: tuple[tuple[str, str], ...]) -> Section:
    """Return the methods section.

    Parameters
    ----------
    material
        The period.
    methods
        (tables' captions, method), one for each method used in the report.
    """
    blocks: list[Block] = [_sites(material)]
    blocks.append(Listing(tuple((sentence,) for sentence in ACCOUNT)))
    blocks.append(Paragraph(("How each estimate was computed:",)))
    blocks.append(Listing(tuple((f"{where}: {wording.in_words(method)}",) for where, method in methods)))
    return Section(key="methods", title="Methods", blocks=tuple(blocks), new_page=True)


def _sites(material: Material) -> Table:
    rows = records(material.period.base("sites").collect().to_pandas())
    rows.sort(key=lambda row: str(row["site"]))
    return Table(
        key="sites",
        caption="The sites and what they count as a case.",
        unit="sites",
        columns=(
            Column("site", "Site"),
            *(Column(name, "Kind" if name == "kind" else wording.column_label(name)) for name in SITE_COLUMNS),
            Column("covers", "Covers"),
            Column(CADENCE, wording.column_label(CADENCE)),
        ),
        rows=tuple(_site_row(row) for row in rows),
        method="As delivered by the sites.",
    )


def _site_row(row: dict[str, Any]) -> tuple[doc.Cell, ...]:
    cells = [doc.text(row["site"])]
    for name in SITE_COLUMNS:
        cells.append(doc.code(row.get(name), column=name))
    ends = [_day(row.get(name)) for name in ("covers_from", "covers_to")]
    cells.append(doc.text(ends[0] if ends[0] == ends[1] else rounding.limits(*ends)))
    cells.append(doc.days(row[CADENCE], of_what="between contacts") if _given(row) else doc.code(None))
    return tuple(cells)


def _given(row: dict[str, Any]) -> bool:
    return not wording.is_missing(row.get(CADENCE))


def _day(value: Any) -> str:
    return wording.NOT_RECORDED if wording.is_missing(value) else str(value)[:10]
