"""The first screen says the truth about who and what is in its numbers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pandas as pd
import pytest

from analysis.incidence import incidence_rates
from reports.document import Cell, Document, Headlines, Listing, Paragraph, Section
from reports.season.report import season_document

SEASON: dict[str, Any] = {"starts_on": date(2024, 1, 1), "ends_on": date(2024, 12, 31)}


def section_of(document: Document, key: str) -> Section:
    return next(section for section in document.sections if section.key == key)


def sentences(section: Section) -> list[str]:
    lines = [block.words for block in section.blocks if isinstance(block, Paragraph)]
    lines += [point for block in section.blocks if isinstance(block, Listing) for point in block.points]
    lines += [item.words for block in section.blocks if isinstance(block, Headlines) for item in block.items]
    return ["".join(word.shown if isinstance(word, Cell) else word for word in words) for words in lines]


def tiles(document: Document) -> dict[str, Cell]:
    blocks = section_of(document, "headline").blocks
    return {item.key: item.cell for block in blocks if isinstance(block, Headlines) for item in block.items}


@pytest.fixture(scope="module")
def large(invented_view: Callable[[int], Any]) -> Document:
    return season_document(invented_view(400), **SEASON)


@pytest.fixture(scope="module")
def uninjured(invented_view: Callable[[int], Any]) -> Document:
    return season_document(invented_view(0), **SEASON)


def test_minors_are_said_to_be_in_the_pooled_tables(large: Document) -> None:
    said = " ".join(sentences(section_of(large, "headline")))
    assert "under 18; return times and odds ratios leave them out, and they have a section of their own." in said
    for key in ("people", "incidence", "which", "doing_what"):
        words = " ".join(sentences(section_of(large, key))).lower()
        assert "all ages together; climbers under 18 are shown again in their own section." in words, key


def test_pooled_tables_hold_all_ages_and_ratios_only_adults(
    large: Document, invented_view: Callable[[int], Any]
) -> None:
    tables = {table.key: table for table in large.tables()}
    assert sum(int(row[1].value or 0) for row in tables["digit"].rows) == 400
    minors = int(invented_view(400).tables["cases"]["minor"].sum())
    assert any(f"Left out: {minors} under 18, shown apart;" in note for note in tables["severe_by_grip"].notes)


def test_the_rate_names_its_events_and_carries_the_limits_to_quote(
    large: Document, invented_view: Callable[[int], Any]
) -> None:
    view = invented_view(400)
    row = incidence_rates(view).table.iloc[0]
    cell = tiles(large)["rate"]
    assert (cell.low, cell.high) == (row["robust_low"], row["robust_high"])
    counted = int((view.tables["occurrences"]["standing"] == "counted").sum())
    said = sentences(section_of(large, "headline"))
    words = f"from {counted} of 400 events; the others have no noted climbing time"
    assert sum(words in line for line in said) == 2


def test_half_back_says_whose_days_they_are(large: Document) -> None:
    said = " ".join(sentences(section_of(large, "headline")))
    words = (
        "days until half of the injured adults not yet back when first seen climbed fully again, all injuries together"
    )
    assert words in said


def test_tiers_give_their_size(large: Document) -> None:
    sizes = {
        str(row[0].value): row[1].shown
        for table in large.tables()
        if table.key == "return_pulley"
        for row in table.rows
    }
    said = " ".join(sentences(section_of(large, "headline")))
    assert f"Pulley I (adults): of {sizes['pulley_1']}, half were back at full climbing by day" in said


def test_few_in_every_tier_are_too_few_beside_a_median_of_all(invented_view: Callable[[int], Any]) -> None:
    view = invented_view(12)
    cases = view.tables["cases"]
    view.tables["cases"] = cases.assign(minor=False, tier=[*["pulley_1"] * 4, *["joint"] * 8])
    document = season_document(view, **SEASON)
    assert "half_back" in tiles(document)
    assert "By pulley grade: too few to tell." in sentences(section_of(document, "headline"))


def test_the_structure_of_the_headline_is_that_of_its_table(large: Document) -> None:
    rows = next(table for table in large.tables() if table.key == "structure").rows
    top = max(rows, key=lambda row: float(row[1].value or 0))
    said = next(line for line in sentences(section_of(large, "headline")) if line.startswith("Most frequent structure"))
    assert f": {top[0].shown}, {top[1].shown} of {top[1].denominator} fingers with a finding" in said


def test_the_mechanism_is_that_of_sudden_onsets(large: Document, invented_view: Callable[[int], Any]) -> None:
    cases = invented_view(400).tables["cases"]
    sudden = cases[cases["onset_mode"] == "sudden"]
    most = int(sudden["mechanism"].value_counts().iloc[0])
    said = sentences(section_of(large, "headline"))
    assert any(f"{most} of {len(sudden)} fingers with a sudden onset" in line for line in said)
    assert any(
        f"Gradual onset, without a single mechanism: {400 - len(sudden)} of 400 fingers" in line for line in said
    )


def test_a_season_without_injuries_shows_its_hours_and_a_rate_of_0(uninjured: Document) -> None:
    shown = tiles(uninjured)
    assert shown["fingers"].value == 0
    assert shown["rate"].value == 0
    assert shown["rate"].high is not None
    assert shown["rate"].high > 0
    assert float(shown["hours"].value or 0) > 0
    said = sentences(section_of(uninjured, "headline"))
    assert any(line.startswith("Injury events per 1000 hours of climbing: 0 (0 to ") for line in said)


def test_ranges_are_explained_only_where_there_are_any(
    uninjured: Document, invented_view: Callable[[int], Any]
) -> None:
    view = invented_view(0)
    view.tables["risk_time"] = view.tables["risk_time"].iloc[:0]
    unwatched = season_document(view, **SEASON)
    assert any(line.startswith("Ranges are") for line in sentences(section_of(uninjured, "headline")))
    assert not any(line.startswith("Ranges are") for line in sentences(section_of(unwatched, "headline")))


@pytest.mark.parametrize("n", [0, 1])
def test_gaps_are_worded_for_none_and_one(invented_view: Callable[[int], Any], n: int) -> None:
    view = invented_view(n)
    view.tables["cases"] = pd.DataFrame(view.tables["cases"]).assign(minor=True)
    document = season_document(view, **SEASON)
    gaps = [" ".join(map(str, b.words)) for _, b in document.blocks() if isinstance(b, Paragraph) and b.role == "gap"]
    assert gaps
    assert not [gap for gap in gaps if "one of the 1 " in gap or "one of the 0 " in gap or "1 cases" in gap]


def test_site_codes_are_not_rewritten(invented_view: Callable[[int], Any]) -> None:
    view = invented_view(80)
    view.tables = {
        name: frame.assign(site=frame["site"].replace("south", "joint_south")) for name, frame in view.tables.items()
    }
    view.bases["sites"]["site"] = ["north", "joint_south"]
    people = section_of(season_document(view, **SEASON), "people")
    climbing = next(block for block in people.blocks if getattr(block, "key", "") == "climbing")
    assert "joint_south" in [row[1].shown for row in climbing.rows]  # type: ignore[union-attr]
