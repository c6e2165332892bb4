"""How long: return to climbing by severity tier, adults only."""

from __future__ import annotations

from dataclasses import replace

import narwhals.stable.v2 as nw

from analysis.results import ReturnCurves
from analysis.returns import Milestone, return_curves
from reports import document as doc
from reports import wording
from reports.cautions import cautions_for
from reports.document import Block, Caution, Column, Paragraph, Section, Table
from reports.pictures.curves import draw_curves
from reports.protocols import CLOCK, LABEL, OBSERVED_COURSES, PROTOCOL_TIMES
from reports.season.material import ADULT, Gap, Material, attempt, shown
from reports.tables.building import tables_of

FAMILIES: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("pulley", "pulley injuries", ("pulley_",)),
    ("ligament", "ligament injuries", ("ligament_",)),
    ("fracture", "fractures", ("fracture_",)),
    ("lumbrical", "lumbrical tears", ("lumbrical_",)),
    ("further", "further injuries", ("growth_plate", "joint", "tendon", "muscle", "extensor", "other")),
)
"""Curves stand together only inside a family: key, words, beginnings of its tiers."""


def section(material: Material) -> Section:
    """Return the section on return to climbing."""
    blocks: list[Block] = [
        Paragraph(
            (
                "Adults only; climbers under 18 have their own section. Day 0 is the onset. A curve shows the share "
                "back at full climbing; it starts when enough cases are under the eyes of a site, because a site "
                "never sees those who were back before they came. The table under a curve says how many cases it "
                "still rests on.",
            )
        )
    ]
    if material.age_unknown:
        unknown = doc.count(material.age_unknown, of_what="fingers of unknown age")
        blocks.append(Paragraph(("Left out here, because the age is not recorded: ", unknown, " fingers.")))
    for key, words, beginnings in FAMILIES:
        blocks += _family(material, key, words, beginnings)
    blocks += [_protocol_table(), Paragraph((CLOCK,), role="note"), Paragraph((OBSERVED_COURSES,), role="note")]
    blocks += _sustained(material)
    blocks += [Caution(caution.sentence) for caution in cautions_for("return") if caution.topic == "return"]
    return Section(key="return", title="How long until people climb again", blocks=tuple(blocks), new_page=True)


def _family(material: Material, key: str, words: str, beginnings: tuple[str, ...]) -> list[Block]:
    tier = nw.col("tier")
    inside = nw.any_horizontal(*(tier.str.starts_with(start) for start in beginnings), ignore_nulls=True)
    curves = attempt(return_curves, material.cases(ADULT, inside), by="tier")
    if isinstance(curves, Gap):
        return [Paragraph((f"{words.capitalize()}: too few to tell. {curves.sentence}",), role="gap")]
    references = PROTOCOL_TIMES if key == "pulley" else ()

    def picture(result: ReturnCurves) -> object:
        return draw_curves(result, references=references)

    caption = f"Return to full climbing after {words}, adults, by severity tier."
    if references:
        caption += f" Above: {LABEL[0].lower()}{LABEL[1:]}; sources in the table below."
    return list(shown(curves, key=f"return_{key}", caption=caption, picture=picture))


def _protocol_table() -> Table:
    sources = list(dict.fromkeys(time.source for time in PROTOCOL_TIMES))
    rows = tuple(
        (
            doc.text(f"Pulley {time.grade}"),
            doc.text(time.endpoint),
            doc.text(sources.index(time.source) + 1),
            doc.text(time.as_printed),
            doc.days(time.low_day, of_what="earliest day of a protocol"),
            doc.days(time.high_day, of_what="latest first day of a protocol"),
        )
        for time in PROTOCOL_TIMES
    )
    return Table(
        key="protocols",
        caption=f"{LABEL}.",
        unit="days from the protocol's clock",
        columns=(
            Column("grade", "Grade"),
            Column("endpoint", "Endpoint"),
            Column("source", "Source"),
            Column("as_printed", "As printed"),
            Column("low_day", "Day, from"),
            Column("high_day", "to"),
        ),
        rows=rows,
        method="Published; sources disagree, all are listed.",
        notes=(
            *(f"Source {place}: {source}." for place, source in enumerate(sources, start=1)),
            '"Easy sport", "full sport" and "previous level" are three different endpoints.',
        ),
        labels=3,
    )


def _sustained(material: Material) -> list[Block]:
    inside = nw.col("tier").str.starts_with("pulley_")
    blocks: list[Block] = []
    further: tuple[tuple[Milestone, bool], ...] = (("full", True), ("modified", False), ("previous_level", False))
    for milestone, sustained in further:
        name = f"{milestone}_sustained" if sustained else milestone
        words = wording.milestone(milestone, sustained=sustained)
        curves = attempt(
            return_curves, material.cases(ADULT, inside), by="tier", milestone=milestone, sustained=sustained
        )
        if isinstance(curves, Gap):
            said = f"Pulley injuries, return to {words}: too few to tell. {curves.sentence}"
            blocks.append(Paragraph((said,), role="gap"))
            continue
        table = tables_of(curves, key=f"return_pulley_{name}")[0]
        blocks.append(replace(table, caption=f"Days to {words} after pulley injuries, adults."))
    return blocks
