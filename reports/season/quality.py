"""Data quality: what is held, what is missing, who was lost."""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.intake.reasons import reason_words
from reports import document as doc
from reports import wording
from reports.document import Block, Column, Paragraph, Section, Table
from reports.frames import records
from reports.season.material import Material

FIELDS = (
    "onset_mode",
    "mechanism",
    "grip",
    "discipline",
    "setting",
    "context",
    "activity",
    "level",
    "age_at_onset",
    "dominant_hand",
    "main_structure",
    "recorded_day",
    "first_seen_day",
)
FIELD_WORDS = {"recorded_day": "Recorded on", "first_seen_day": "First seen", "main_structure": "Any structure"}
REASONS = {
    "open": "still followed",
    "lost": "lost to follow-up",
    "discharged": "discharged before full climbing",
    "declined": "declined further contact",
    "withdrawn": "withdrew consent",
    "stopped_this_injury": "stopped climbing because of this injury",
    "stopped_other": "stopped climbing for another reason",
    "no_contact": "no contact after the injury was recorded",
}


def section(material: Material) -> Section:
    """Return the section on data quality."""
    blocks: list[Block] = [_held(material)]
    if material.fingers:
        blocks += [_missing(material), _followed(material)]
    return Section(key="quality", title="How good the data are", blocks=tuple(blocks))


def _held(material: Material) -> Block:
    rows = records(material.period.held())
    if not rows:
        return Paragraph(("No row of any delivery is held.",))
    names = [name for name in ("site", "table", "reason") if name in rows[0]]
    return Table(
        key="held",
        caption="Rows of deliveries that are held until they are mended or dismissed, of any period; "
        "they are in no figure of this report.",
        unit="rows; a row may have several reasons",
        columns=(*(Column(name, name.capitalize()) for name in names), Column("n", "n")),
        rows=tuple(
            (*(_held_label(name, row[name]) for name in names), doc.count(row["n"], of_what="held rows"))
            for row in rows
        ),
        method="Counted in the registry.",
        labels=len(names),
    )


def _held_label(name: str, value: Any) -> doc.Cell:
    if name == "reason":
        return doc.Cell(kind="text", shown=reason_words(str(value)), value=str(value))
    if value == "mapped":
        return doc.Cell(kind="text", shown="rows in the site's own columns", value="mapped")
    return doc.text(value) if name == "site" else doc.code(value)


def _missing(material: Material) -> Table:
    cases = material.cases()
    present = cases.collect_schema().names()
    names = [name for name in FIELDS if name in present]
    wanted = []
    for name in names:
        wanted.append(nw.col(name).is_null().cast(nw.Int64).sum().alias(f"{name}_empty"))
        word = nw.col(name).cast(nw.String)
        wanted.append((word == "unknown").cast(nw.Int64).sum().alias(f"{name}_unknown"))
        wanted.append((word == "not_applicable").cast(nw.Int64).sum().alias(f"{name}_applicable"))
    counted: dict[str, Any] = records(cases.select(*wanted).collect().to_pandas())[0]
    return Table(
        key="missing",
        caption="What is missing in the cases.",
        unit="injured fingers",
        columns=(
            Column("field", "Field"),
            Column("not_recorded", "Not recorded"),
            Column("share", "Share"),
            Column("unknown", "Asked, not known"),
            Column("not_applicable", "Not applicable"),
        ),
        rows=tuple(_missing_row(name, counted, material.fingers) for name in names),
        method="Empty cells, and the two words for missing, each counted apart.",
    )


def _missing_row(name: str, counted: dict[str, Any], fingers: int) -> tuple[doc.Cell, ...]:
    def n(face: str) -> int:
        value = counted[f"{name}_{face}"]
        return 0 if wording.is_missing(value) else int(value)

    share = doc.share(n("empty") / fingers, of=fingers, of_what="injured fingers")
    return (
        doc.Cell(kind="text", shown=FIELD_WORDS.get(name, wording.column_label(name)), value=name),
        doc.count(n("empty"), of_what="injured fingers", denominator=fingers),
        doc.with_sources(share, f"{name}/not_recorded"),
        doc.count(n("unknown"), of_what="injured fingers", denominator=fingers),
        doc.count(n("applicable"), of_what="injured fingers", denominator=fingers),
    )


def _followed(material: Material) -> Table:
    counts = (
        material.cases()
        .group_by("full_kind", "full_reason")
        .agg(nw.len().cast(nw.Int64).alias("n"))
        .collect()
        .to_pandas()
    )
    tally = {(_word(row["full_kind"]), _word(row["full_reason"])): int(row["n"]) for row in records(counts)}
    lines = [
        ("exact", "back at full climbing, day known", tally.pop(("exact", ""), 0)),
        ("interval", "back at full climbing between two contacts", tally.pop(("interval", ""), 0)),
    ]
    lines += [(reason, words, tally.pop(("censored", reason), 0)) for reason, words in REASONS.items()]
    lines += [(f"{kind}_{reason}", f"{kind} {reason}".strip(), n) for (kind, reason), n in sorted(tally.items())]
    rows = tuple(
        (
            doc.Cell(kind="text", shown=words, value=key),
            doc.count(n, of_what="injured fingers", denominator=material.fingers),
            doc.with_sources(
                doc.share(n / material.fingers, of=material.fingers, of_what="injured fingers"), f"{key}/n"
            ),
        )
        for key, words, n in lines
    )
    return Table(
        key="followed",
        caption="How far the injured fingers were followed, to full climbing.",
        unit="injured fingers",
        columns=(Column("end", "Last known"), Column("n", "n"), Column("share", "Share")),
        rows=rows,
        method="Derived milestones; a finger that is not back is censored at its last contact.",
    )


def _word(value: Any) -> str:
    return "" if wording.is_missing(value) else str(value)
