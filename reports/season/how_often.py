"""How often: incidence by setting, discipline, context, sex and age."""

from __future__ import annotations

from analysis.results import IncidenceRates
from reports import wording
from reports.cautions import cautions_for
from reports.document import Block, Caution, Paragraph, Section
from reports.season.material import ALL_AGES, Gap, Material, shown
from reports.tables.rates import counted_table, sites_table

RATES_BY = ("setting", "discipline", "context", "sex", "age_band")


def section(material: Material) -> Section:
    """Return the section on incidence."""
    overall = material.rates()
    if isinstance(overall, Gap):
        return Section(key="incidence", title="How often", blocks=(overall.block(),))
    blocks: list[Block] = [
        Paragraph(
            (
                "Rates count events: several fingers hurt at once are one. Only events inside time that was "
                "watched and noted count; the table at the end of this section says where the others are. "
                "Two kinds of limits are given: exact ones, and ones that respect that some climbers are hurt "
                "more than once; the limits that respect repeaters are the ones to quote. "
                f"{ALL_AGES}",
            )
        ),
    ]
    blocks += shown(overall, key="rate", caption="", picture=None, tables=1)
    for column in RATES_BY:
        result = material.rates(column)
        caption = f"Injury events per 1000 hours of climbing by {wording.column_label(column).lower()}."
        blocks += shown(result, key=f"rate_by_{column}", caption=caption, tables=1)
    blocks += _behind(overall)
    return Section(key="incidence", title="How often", blocks=tuple(blocks))


def _behind(overall: IncidenceRates) -> list[Block]:
    blocks: list[Block] = []
    if not overall.counted.empty:
        blocks.append(counted_table(overall, key="rate_counted"))
    blocks.append(sites_table(overall, key="rate_sites"))
    blocks += [Caution(caution.sentence) for caution in cautions_for("rate") if caution.topic == "rate"]
    return blocks
