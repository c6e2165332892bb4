"""Climbers under 18, never pooled with adults."""

from __future__ import annotations

import narwhals.stable.v2 as nw

from analysis.returns import return_curves
from analysis.shares import distribution
from reports import document as doc
from reports.cautions import cautions_for
from reports.document import Block, Caution, Paragraph, Section
from reports.season.material import MINOR, Material, attempt, shown


def section(material: Material) -> Section:
    """Return the section on climbers under 18."""
    blocks: list[Block] = [Caution(caution.sentence) for caution in cautions_for("minors") if caution.topic == "minors"]
    if not material.minors:
        blocks.append(Paragraph(("No finger of a climber under 18 was reported hurt in this period.",)))
    else:
        blocks += _content(material)
    return Section(key="minors", title="Climbers under 18", blocks=tuple(blocks))


def _content(material: Material) -> list[Block]:
    plates = material.cases(MINOR, nw.col("has_growth_plate") == 1).select(nw.len().alias("n")).collect()
    growth = doc.count(plates.item(0, "n"), of_what="fingers with a growth-plate injury")
    hurt = doc.count(material.minors, of_what="injured fingers of under-18s")
    blocks: list[Block] = [
        Paragraph(
            (
                "Growth-plate injuries first: ",
                growth,
                " of ",
                hurt,
                " injured fingers. They have schemes of their own; the adult pulley grades and times to return "
                "do not hold under 18.",
            )
        )
    ]
    for column in ("main_structure", "digit"):
        result = attempt(distribution, material.cases(MINOR), by=column)
        blocks += shown(result, key=f"minors_{column}", caption="", picture=None, tables=1)
    curves = attempt(return_curves, material.cases(MINOR), by="structure_family", people="minors")
    caption = "Return to full climbing, climbers under 18, by family of structures."
    blocks += shown(curves, key="minors_return", caption=caption)
    return blocks
