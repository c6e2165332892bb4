"""Lists: each entry becomes exactly one row, or the whole cell is held."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.dictionary.injury import EXTENTS, STRUCTURES
from registry.maps.lists import Listed, list_reader
from registry.maps.model import ColumnMap, ListRule

WORDS = {
    "s": {
        "Ringband A2": "a2",
        "ulnares Seitenband": "collateral_ulnar",
        "UCL PIP": "collateral_ulnar(pip)",
        "o. B.": "",
    },
    "e": {"Ruptur": "complete", "Teil-Ruptur": "partial", "Zerrung": "strain", "?": "other"},
}
COLUMN_MAP = ColumnMap(name="m", sha256="", text="", words=WORDS)
BARE = ColumnMap(name="m", sha256="", text="", words={"e": {"": "other"}})


def reader(shape: str, *separators: str, column_map: ColumnMap = COLUMN_MAP) -> object:
    words = {"structures": "s" if "s" in column_map.words else "", "extents": "e"}
    beside = "E" if shape == "parallel" else ""
    rule = ListRule(column="S", separators=separators or ("+",), shape=shape, extents_column=beside, **words)
    return list_reader(rule, column_map)


A2, A3 = ("a2", "", "complete"), ("a3", "", "partial")


@pytest.mark.parametrize(
    ("shape", "text", "parts"),
    [
        ("structure extent", "A2 Ruptur + A3 Teil-Ruptur", (A2, A3)),
        ("structure extent", "A2 Ruptur +", (A2,)),
        ("structure extent", " + A2  ruptur", (A2,)),
        ("structure extent", "A2: complete", (A2,)),
        ("structure extent", "A2 - Ruptur", (A2,)),
        ("structure extent", "A2 (Ruptur)", (A2,)),
        ("structure extent", "Ringband A2, Ruptur", (A2,)),
        ("structure extent", "A2 ?", (("a2", "", "other"),)),
        ("structure extent", "COLLATERAL ULNAR PIP Zerrung", (("collateral_ulnar", "pip", "strain"),)),
        ("structure extent", "collateral_ulnar (PIP): strain", (("collateral_ulnar", "pip", "strain"),)),
        ("structure extent", "PIP ulnares Seitenband Zerrung", (("collateral_ulnar", "pip", "strain"),)),
        ("structure extent", "UCL PIP Zerrung", (("collateral_ulnar", "pip", "strain"),)),
        ("structure extent", "fracture_displaced phalanx", None),
        ("extent structure", "Ruptur A2 + Teil-Ruptur a3", (A2, A3)),
        ("extent structure", "fracture_displaced phalanx", (("phalanx", "", "fracture_displaced"),)),
        ("structure (extent)", "a2 (complete)", (A2,)),
        ("structure (extent)", "A2 [Ruptur]", (A2,)),
        ("structure (extent)", "collateral_ulnar (pip) (strain)", (("collateral_ulnar", "pip", "strain"),)),
        ("structure:extent", "a2:complete", (A2,)),
        ("structure:extent", "collateral_ulnar(pip):strain", (("collateral_ulnar", "pip", "strain"),)),
        ("structure extent", "o. B.", ()),
        ("structure extent", "", ()),
        ("structure extent", "A2 Ruptur + A2 Ruptur", (A2,)),
        # never guessed
        ("structure extent", "A2/A3 Ruptur", None),
        ("structure extent", "Ruptur A2", None),
        ("structure extent", "A2 Ruptur 3mm", None),
        ("structure extent", "V. a. A2 Ruptur", None),
        ("structure extent", "keine A2 Ruptur", None),
        ("structure extent", "A2 Ruptur o. B.", None),
        ("structure (extent)", "a2 complete", None),
        ("structure extent", "A2 Ruptur " * 100, None),
    ],
)
def test_lists_as_sites_write_them(shape: str, text: str, parts: tuple[tuple[str, str, str], ...] | None) -> None:
    read = reader(shape)(text, "")  # type: ignore[operator]
    assert read == (Listed(column="S", code="unknown_word") if parts is None else Listed(parts))


def test_two_structures_before_one_extent_are_held_even_where_the_mark_between_parts() -> None:
    assert reader("structure extent", "/")("A2/A3 Ruptur", "").code == "extent_missing"  # type: ignore[operator]


@pytest.mark.parametrize("text", ["A2", "A3 Zerrung + A2", "A2:", "COLLATERAL ULNAR (PIP)"])
@pytest.mark.parametrize("shape", ["structure extent", "structure:extent", "extent structure"])
def test_a_structure_without_its_extent_is_held(shape: str, text: str) -> None:
    if shape != "structure extent":
        text = text.rpartition("+")[2]
    assert reader(shape)(text, "") == Listed(column="S", code="extent_missing")  # type: ignore[operator]


def test_a_structure_with_two_extents_is_held() -> None:
    read = reader("structure extent")("A2 Ruptur + A2 Zerrung", "")  # type: ignore[operator]
    assert (read.column, read.code) == ("S", "listed_twice")


def test_an_entry_without_an_extent_has_the_one_that_the_map_gives() -> None:
    assert reader("structure extent", column_map=BARE)("A2", "") == Listed((("a2", "", "other"),))  # type: ignore[operator]


@pytest.mark.parametrize(
    ("text", "beside", "read"),
    [
        ("a2|a3", "Ruptur|partial", Listed((A2, A3))),
        ("a2|a3|", "Ruptur|partial", Listed((A2, A3))),
        ("a2", "Ruptur", Listed((A2,))),
        ("", "", Listed()),
        ("a2|a3", "Ruptur", Listed(column="S", code="lists_differ")),
        ("a2||a3", "Ruptur|partial|", Listed(column="S", code="lists_differ")),
        ("a2||a3", "Ruptur||partial", Listed((A2, A3))),
        ("", "Ruptur", Listed(column="S", code="lists_differ")),
        ("a9", "Ruptur", Listed(column="S", code="unknown_word")),
        ("a2", "gerissen", Listed(column="E", code="unknown_word")),
        ("collateral_ulnar (pip)", "strain", Listed((("collateral_ulnar", "pip", "strain"),))),
    ],
)
def test_two_lists_side_by_side(text: str, beside: str, read: Listed) -> None:
    assert reader("parallel", "|")(text, beside) == read  # type: ignore[operator]


PARTS = st.lists(
    st.tuples(st.sampled_from(STRUCTURES), st.sampled_from(["", "mcp", "pip", "dip", "ip"]), st.sampled_from(EXTENTS)),
    max_size=6,
    unique_by=lambda part: part[:2],
)


@given(
    parts=PARTS,
    shape=st.sampled_from(["structure extent", "extent structure", "structure (extent)", "structure:extent"]),
)
def test_every_entry_becomes_exactly_one_row(parts: list[tuple[str, str, str]], shape: str) -> None:
    forms = {
        "structure extent": "{} {} {}",
        "extent structure": "{2} {0} {1}",
        "structure (extent)": "{} {} ({})",
        "structure:extent": "{} {}:{}",
    }
    text = " + ".join(forms[shape].format(*part).replace("_", " ") for part in parts)
    assert reader(shape)(text, "") == Listed(tuple(parts))  # type: ignore[operator]


@given(st.text(alphabet="a23 ():-+RupturZeg", max_size=40), st.sampled_from(["structure extent", "extent structure"]))
def test_what_is_read_is_ours(text: str, shape: str) -> None:
    read = reader(shape)(text, "")  # type: ignore[operator]
    assert bool(read.code) == bool(read.column)
    assert all(structure in STRUCTURES and extent in EXTENTS for structure, _, extent in read.parts)
