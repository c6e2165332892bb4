"""Spoil n cells of a clean delivery: exactly those n findings, at their places, no spoiled value in any message."""

from __future__ import annotations

import tempfile
from datetime import datetime
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from registry import take_in
from registry.dictionary import TABLES

SITE = "site,kind,case_definition,exposure_method,pseudonym_pattern\nnorth,clinic,any_complaint,none,[A-Z]{2}[0-9]{5}\n"
ROWS = 6
SPOIL = {
    "code": ("Zzyzx Quorl", "unknown_code"),
    "date": ("zzyzx/quorl", "not_a_date"),
    "integer": ("zzyzx quorl", "not_an_integer"),
    "year": ("zzyzx", "not_a_year"),
    "text": ("zzyzx " * 20, "too_long"),
}
COLUMNS = {
    "athletes": ("athlete", "sex", "birth_year", "dominant_hand", "level"),
    "cases": (
        "case",
        "athlete",
        "age_at_onset",
        "onset",
        "side",
        "digit",
        "onset_mode",
        "grip",
        "discipline",
        "level_before",
        "uiaa_score",
    ),
}
CLEAN = {
    "athletes": ["AB{0:05d}", "female", "1990", "right", "recreational"],
    "cases": [
        "{0:04d}",
        "AB{0:05d}",
        "34",
        "2024-05-0{0}",
        "left",
        "ring",
        "sudden",
        "half_crimp",
        "bouldering",
        "7a",
        "2",
    ],
}
PLACES = [
    (table, row, column)
    for table, columns in COLUMNS.items()
    for row in range(1, ROWS + 1)
    for column in columns
    if TABLES[table][column].kind in SPOIL
]


@settings(max_examples=15, deadline=None)
@given(st.sets(st.sampled_from(PLACES), max_size=10))
def test_exactly_the_spoiled_cells_are_found(spoiled: set[tuple[str, int, str]]) -> None:
    texts = {"sites": SITE}
    for table, columns in COLUMNS.items():
        lines = [",".join(columns)]
        for row in range(1, ROWS + 1):
            cells = [
                SPOIL[TABLES[table][column].kind][0] if (table, row, column) in spoiled else cell.format(row)
                for column, cell in zip(columns, CLEAN[table], strict=True)
            ]
            lines.append(",".join(cells))
        texts[table] = "\n".join(lines) + "\n"
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "delivery"
        folder.mkdir()
        for table, text in texts.items():
            (folder / f"{table}.csv").write_text(text, encoding="utf-8")
        report = take_in(
            folder, registry=Path(place) / "r.duckdb", site="north", received_at=datetime(2026, 1, 1), dry_run=True
        )
    found = report.findings[report.findings["code"] != "parent_held"]
    expected = {
        (f"{table}.csv", row + 1, column, SPOIL[TABLES[table][column].kind][1]) for table, row, column in spoiled
    }
    assert {tuple(row) for row in found[["file", "row", "column", "code"]].itertuples(index=False)} == expected
    assert len(found) == len(expected)
    said = " ".join(report.findings["message"]).lower()
    assert "zzyzx" not in said
    assert "quorl" not in said
    waiting = {row for table, row, _ in spoiled if table == "athletes"}
    bad_cases = {row for table, row, _ in spoiled if table == "cases"}
    assert {c.table: c.new for c in report.tables}.get("cases", 0) == ROWS - len(waiting | bad_cases)
