"""Which finger and which structure."""

from __future__ import annotations

from analysis.shares import distribution
from reports.document import Block, Paragraph, Section
from reports.season.material import ALL_AGES, Material, attempt, shown


def section(material: Material) -> Section:
    """Return the section on fingers and structures."""
    by_digit = attempt(distribution, material.cases(), by="digit")
    crossed = attempt(distribution, material.findings(), by=["structure", "digit"])
    by_structure = attempt(distribution, material.findings(), by="structure")
    blocks: list[Block] = [
        Paragraph(
            (
                "One finger can have several injured structures. The finger table counts fingers; the structure "
                "tables count structures, so that a finger with two of them stands in both rows. "
                f"{ALL_AGES}",
            )
        )
    ]
    blocks += shown(by_digit, key="digit", caption="Injured fingers; the darker, the larger the share.")
    blocks += shown(
        crossed,
        key="structure_by_digit",
        caption="Injured structures by finger; the darker, the more. Side and joint are not told apart here.",
    )
    blocks += shown(
        by_structure,
        key="structure",
        caption="Injured structures of all fingers, drawn on one; the darker, the larger the share of fingers.",
        tables=1,
    )
    return Section(key="which", title="Which finger, which structure", blocks=tuple(blocks))
