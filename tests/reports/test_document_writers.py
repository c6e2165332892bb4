"""Documents: typed cells, the HTML page, numbers.json and CSV."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace

import pytest

from registry.spreadsheet_text import harmless
from reports import document as doc
from reports.document import (
    Caution,
    Column,
    Document,
    Figure,
    Headline,
    Headlines,
    Listing,
    Paragraph,
    Section,
    Table,
)
from reports.html import html_page
from reports.numbers import numbers_json
from reports.spreadsheet import csv_text, table_csv

PICTURE = b'<svg xmlns="http://www.w3.org/2000/svg"/>'


def a_table() -> Table:
    share = doc.share(1 / 3, of=12, of_what="cases", low=0.13, high=0.61)
    return Table(
        key="digit",
        caption="By finger <all>.",
        unit="cases",
        columns=(Column("digit", "Finger"), Column("n", "n"), Column("share", "Share")),
        rows=((doc.code("ring"), doc.count(4, of_what="cases", denominator=12), doc.with_sources(share, "ring/n")),),
        method="counted",
        notes=("A note.",),
    )


def a_document(*more: object) -> Document:
    blocks = (
        Paragraph(("Hurt: ", doc.count(1234, of_what="cases"), "."), role="lead"),
        Headlines((Headline("n", doc.count(4, of_what="cases"), ("fingers",)),)),
        Listing((("One ", doc.days(41.7, of_what="median"), " days."),)),
        a_table(),
        Figure(key="bars", caption="Bars.", alt='Ring "4" of 12', svg=PICTURE),
        Caution("Not for diagnosis."),
        *more,
    )
    return Document(
        title="Title & more",
        subtitle="2024",
        stamp="INTERNAL",
        identity={"name": "f", "content_hash": "abc", "derivation_version": 1},
        sections=(Section(key="first", title="First", blocks=blocks),),  # type: ignore[arg-type]
    )


def test_the_page_escapes_what_it_is_given() -> None:
    page = html_page(a_document(Paragraph(("<script>alert(1)</script>",))))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "By finger &lt;all&gt;." in page
    assert "<title>Title &amp; more, 2024 (INTERNAL)</title>" in page


def test_the_page_is_self_contained_and_stamped() -> None:
    page = html_page(a_document())
    outside = re.findall(r"https?://[^\"' )]+", page)
    assert outside == []
    assert "@import" not in page
    assert "url(" not in page
    assert page.count('<div class="stamp"') == 1
    assert "position: fixed" in page
    assert "abc" in page


def test_every_picture_has_its_text() -> None:
    page = html_page(a_document())
    pictures = re.findall(r"<img [^>]*>", page)
    assert len(pictures) == 1
    assert 'alt="Ring &#34;4&#34; of 12"' in pictures[0]
    assert 'src="data:image/svg+xml;base64,' in pictures[0]


def test_tables_have_scoped_headings_and_their_unit() -> None:
    page = html_page(a_document())
    assert '<th scope="row">ring</th>' in page
    assert '<th scope="col" class="figure-cell">Share</th>' in page
    assert "Unit: cases." in page
    assert '<td class="figure-cell">33 % (13 to 61 %)</td>' in page


def test_numbers_carry_denominator_method_and_what_they_derive_from() -> None:
    body = json.loads(numbers_json(a_document()))
    numbers = {number["id"]: number for number in body["numbers"]}
    share = numbers["first/digit/ring/share"]
    assert share["value"] == 0.333333333333
    assert (share["low"], share["high"], share["denominator"]) == (0.13, 0.61, 12)
    assert share["method"] == "counted"
    assert share["derived_from"] == ["first/digit/ring/n"]
    assert share["derived_from"][0] in numbers
    assert body["identity"]["content_hash"] == "abc"
    assert numbers["first/headline/n"]["value"] == 4
    assert [n["value"] for n in body["numbers"] if n["id"].startswith("first/text")] == [1234]
    assert [n["value"] for n in body["numbers"] if n["id"].startswith("first/list")] == [41.7]


def test_numbers_leave_out_gaps_and_words() -> None:
    table = replace(
        a_table(), rows=((doc.code(None), doc.count(None, of_what="cases"), doc.share(float("nan"), of=0, of_what="")),)
    )
    body = json.loads(numbers_json(a_document(table)))
    assert not [n for n in body["numbers"] if "not_recorded" in n["id"]]


def test_an_infinite_limit_survives_json() -> None:
    row = (
        doc.code("ring"),
        doc.count(1, of_what="cases"),
        doc.ratio(2.0, of_what="odds ratio", low=1, high=float("inf")),
    )
    body = json.loads(numbers_json(a_document(replace(a_table(), key="odds", rows=(row,)))))
    high = [n["high"] for n in body["numbers"] if n["id"] == "first/odds/ring/share"]
    assert high == ["infinite"]


def test_csv_holds_limits_and_denominators_unrounded() -> None:
    rows = list(csv.DictReader(io.StringIO(table_csv(a_table()))))
    assert rows == [
        {
            "digit": "ring",
            "n": "4",
            "n_of": "12",
            "share": "0.333333333333",
            "share_low": "0.13",
            "share_high": "0.61",
            "share_of": "12",
        }
    ]


@pytest.mark.parametrize("words", ["=1+1", "+1", "-1", "@a", "\tx", "\rx"])
def test_no_cell_can_run_as_a_formula(words: str) -> None:
    assert harmless(words) == f"'{words}"
    assert csv_text(["a"], [[words]]).splitlines()[1].lstrip('"').startswith("'")


def test_negative_numbers_stay_numbers() -> None:
    assert csv_text(["a"], [[-1.5], [None]]) == 'a\n-1.5\n""\n'


def test_a_cell_says_its_limits_with_the_decimals_of_its_estimate() -> None:
    # Schöffl, Hoffmann & Küpper 2013, Wilderness Environ Med 24:187-194: 30 injuries in 1 434 355 h; 0.02 per 1000 h
    # published; 0.0209 (exact limits 0.0141 to 0.0299) recomputed.
    cell = doc.rate(0.0209, per="1000 hours", exposure=1434355, of_what="injuries", low=0.0141, high=0.0299)
    assert cell.shown == "0.021 (0.014 to 0.030)"


def test_two_cells_of_the_same_document_are_the_same_page() -> None:
    assert html_page(a_document()) == html_page(a_document())
    assert numbers_json(a_document()) == numbers_json(a_document())
