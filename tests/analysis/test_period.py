"""A registry narrowed to a span of days."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Any

import narwhals.stable.v2 as nw
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.period import clipped, day_number, period
from registry.door import enter
from registry.errors import OptionError


class Frames:
    """Frames that answer like an opened registry."""

    label = "invented"

    def __init__(self, **tables: pd.DataFrame) -> None:
        self.tables = tables
        self.identity: dict[str, Any] = {"name": "invented"}

    def table(self, name: str) -> nw.LazyFrame[Any]:
        return enter(self.tables[name])

    base = table

    def held(self) -> pd.DataFrame:
        return pd.DataFrame()


def rows(starts: int, days: int, minutes: int, sessions: int | None = None) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "starts_day": [starts],
            "ends_day": [starts + days - 1],
            "days": [days],
            "minutes": [minutes],
            "sessions": pd.array([sessions], dtype="Int64"),
            "starts": pd.array([None], dtype="Int64"),
        }
    )


@settings(max_examples=25, deadline=None)
@given(
    starts=st.integers(0, 50),
    days=st.integers(1, 60),
    minutes=st.integers(0, 10**6),
    edges=st.lists(st.integers(0, 120), min_size=1, max_size=4, unique=True),
)
def test_adjoining_periods_add_up_to_the_whole(starts: int, days: int, minutes: int, edges: list[int]) -> None:
    frame = enter(rows(starts, days, minutes, sessions=minutes // 60))
    cuts = [-1, *sorted(edges), 200]
    parts = pd.concat([clipped(frame, low + 1, high).collect().to_pandas() for low, high in pairwise(cuts)])
    assert int(parts["minutes"].sum()) == minutes
    assert int(parts["sessions"].sum()) == minutes // 60
    assert int(parts["days"].sum()) == days


def test_a_row_inside_the_period_is_unchanged() -> None:
    frame = rows(10, 5, 77)
    kept = clipped(enter(frame), 0, 30).collect().to_pandas()
    assert kept[["starts_day", "ends_day", "days", "minutes"]].to_numpy().tolist() == [[10, 14, 5, 77]]
    assert kept["sessions"].isna().all()


def test_a_row_outside_is_gone() -> None:
    assert len(clipped(enter(rows(10, 5, 77)), 15, 30).collect()) == 0


def test_onsets_decide_on_cases_findings_and_occurrences() -> None:
    first = day_number(date(2024, 3, 1))
    cases = pd.DataFrame({"site": ["n"] * 3, "case": ["a", "b", "c"], "onset_day": [first - 1, first, first + 30]})
    findings = pd.DataFrame({"site": ["n", "n", "s"], "case": ["a", "b", "b"], "structure": ["a2"] * 3})
    view = Frames(cases=cases, findings=findings, occurrences=cases, sites=pd.DataFrame({"site": ["n"]}))
    march = period(view, starts_on=date(2024, 3, 1), ends_on=date(2024, 3, 31))
    assert march.table("cases").collect()["case"].to_list() == ["b", "c"]
    assert march.table("occurrences").collect()["case"].to_list() == ["b", "c"]
    assert march.table("findings").collect().select("site", "case").rows() == [("n", "b")]
    assert march.base("sites").collect()["site"].to_list() == ["n"]
    assert march.identity == view.identity


def test_days_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(OptionError, match="swap the two days"):
        period(Frames(), starts_on=date(2024, 3, 1), ends_on=date(2024, 2, 1))
