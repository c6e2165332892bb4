"""Readings of a registry side by side: which reading counts, whose code it is, and who is left out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import narwhals.stable.v2 as nw
import pandas as pd
import pytest

from analysis.agreeing import agreement
from analysis.reading.readings import readings_of
from registry import open_registry
from registry.door import enter
from registry.errors import DataError, InputError, OptionError


class TwoSites:
    """Frames that answer like an opened registry: two sites whose readers carry the same codes."""

    def __init__(self, readings: list[tuple[Any, ...]]) -> None:
        self.readings = pd.DataFrame(readings, columns=["site", "case", "reader", "read_on_day", "grade"])
        keys = self.readings[["site", "case"]].drop_duplicates(ignore_index=True)
        self.cases = keys.assign(climber=keys["site"] + ":" + keys["case"], minor=[False] * len(keys))

    def table(self, name: str) -> nw.LazyFrame[Any]:
        return enter({"cases": self.cases}[name])

    def base(self, name: str) -> nw.LazyFrame[Any]:
        return enter({"readings": self.readings}[name])


READINGS = [
    ("north", "1", "a", 100, "3"),
    ("north", "1", "b", 101, "3"),
    ("north", "1", "a", 90, "2"),
    ("north", "2", "a", 100, "not_gradable"),
    ("north", "2", "b", None, "1"),
    ("north", "3", "b", 100, "4"),
    ("south", "1", "a", 100, "0"),
    ("south", "1", "b", 100, "0"),
    ("south", "1", "c", 100, "1"),
]


def test_the_first_reading_counts_and_codes_belong_to_a_site() -> None:
    found = readings_of(TwoSites(READINGS))
    assert found.readers == ("a", "b", "c")
    side_by_side = found.table.set_index(["site", "case"])[list("abc")]
    assert side_by_side.loc[("north", "1")].tolist() == ["2", "3", None]
    assert side_by_side.loc[("north", "3")].tolist() == [None, "4", None]
    assert [note.code for note in found.notes] == ["read_again", "readers_of_several_sites"]
    assert "a, b occur at 2 sites" in found.notes[1].sentence


def test_one_site_and_named_readers() -> None:
    view = TwoSites(READINGS)
    assert readings_of(view, site="north").readers == ("a", "b")
    both = agreement(view, readers=["b", "a"], site="north")
    assert both.readers == ("b", "a")
    assert (both.n_rows_in, both.n_rows_used) == (3, 2)
    assert both.left_out["reason"].tolist() == ["a: not recorded"]
    assert both.cells["first"].unique().tolist() == ["0", "1", "2", "3", "4", "not_gradable"]
    assert both.cells["n"].sum() == 2


def test_what_cannot_be_asked() -> None:
    view = TwoSites(READINGS)
    with pytest.raises(OptionError, match="no readings of a site 'east'; there are some of north, south"):
        readings_of(view, site="east")
    with pytest.raises(OptionError, match="no readings of 'd'; there are some of a, b, c"):
        readings_of(view, readers=("a", "d"))
    with pytest.raises(DataError, match=r"none of 4 cases has a grade of every reader .*a 2, b 4, c 1"):
        agreement(TwoSites([row for row in READINGS if row[:3] != ("south", "1", "a")]))
    with pytest.raises(InputError, match="votes are columns of a frame"):
        agreement(view, votes=["a", "b"])
    with pytest.raises(InputError, match="a reader's code is 'minor'"):
        readings_of(TwoSites([("north", "1", "minor", 1, "3")]))
    with pytest.raises(DataError, match=r"there are no readings; deliver readings\.csv"):
        readings_of(TwoSites([]))


def test_a_delivered_registry_keeps_minors_apart(
    write_delivery: Callable[..., Path], take_in: Callable[..., Any], clean: dict[str, str], tmp_path: Path
) -> None:
    grades = {"0001": (3, 3), "0002": (2, 1), "0003": (0, 0)}
    clean["readings"] = "case,reader,read_on,grade\n" + "".join(
        f"{case},a,2024-08-01,{first}\n{case},b,2024-08-01,{second}\n" for case, (first, second) in grades.items()
    )
    take_in(write_delivery(clean))
    with open_registry(tmp_path / "registry.duckdb") as view:
        adults = agreement(view, people="adults", weights=("none", "linear"))
        everyone = agreement(view)
    assert (adults.n_rows_used, everyone.n_rows_used, everyone.unit) == (2, 3, "cases")
    assert adults.left_out["reason"].tolist() == ["under 18 (shown apart)"]
    # By hand: agreement 1/2; by chance 1/4 (grade 3); kappa (1/2 - 1/4) / (3/4)
    assert adults.table["estimate"].iloc[0] == pytest.approx(1 / 3)
    # By hand: linear weights 1 - distance / 4; by chance the mean over the four pairs of the two readers' grades
    pairs = [1 - abs(first - second) / 4 for first in (3, 2) for second in (3, 1)]
    observed, expected = (1 + 3 / 4) / 2, sum(pairs) / 4
    assert adults.table["estimate"].iloc[1] == pytest.approx((observed - expected) / (1 - expected))
