"""Doing what: mechanisms and grips, and which of them go with the severe pulley injuries."""

from __future__ import annotations

from analysis.odds import odds_ratios
from analysis.outcomes import SEVERE_PULLEY, gradual_set_apart, with_outcome
from analysis.shares import distribution
from reports.cautions import cautions_for
from reports.document import Block, Caution, Paragraph, Section
from reports.season.material import ALL_AGES, Material, attempt, shown


def section(material: Material) -> Section:
    """Return the section on mechanisms and grips."""
    blocks: list[Block] = [Paragraph((f"Mechanisms and grips: {ALL_AGES[0].lower()}{ALL_AGES[1:]}",))]
    for column in ("mechanism", "grip"):
        result = attempt(distribution, material.cases(), by=column)
        blocks += shown(result, key=column, caption=f"Injured fingers by {column}, with 95 % limits.", tables=1)
    blocks.append(
        Paragraph(
            (
                "Among adults with a graded pulley injury: which mechanism and which grip go with the severe "
                "grades (III and IV), against grades I and II? Gradual onset has no single mechanism or "
                "grip: it is left out and counted.",
            )
        )
    )
    cases = with_outcome(gradual_set_apart(material.cases()), SEVERE_PULLEY)
    for column, reference in (("mechanism", "slow_pull"), ("grip", "open_hand")):
        ratios = attempt(
            odds_ratios, cases, people="adults", outcome=SEVERE_PULLEY.name, exposure=column, reference=reference
        )
        caption = f"Odds of a pulley injury of grade III or IV by {column}, among graded pulley injuries."
        blocks += shown(ratios, key=f"severe_by_{column}", caption=caption)
    blocks += [Caution(caution.sentence) for caution in cautions_for("ratio") if caution.topic == "ratio"]
    return Section(key="doing_what", title="Doing what", blocks=tuple(blocks))
