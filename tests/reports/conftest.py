"""An invented registry of any size, made directly as derived tables, so that pages can be tried at n = 0, 3, 12, 80."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd
import pytest

from analysis.incidence import incidence_rates
from analysis.odds import odds_ratios
from analysis.outcomes import SEVERE_PULLEY, with_outcome
from analysis.rates import event_rates
from analysis.returns import return_curves
from analysis.shares import distribution
from analysis.survival import survival_curves
from registry.dictionary.injury import STRUCTURES
from registry.door import enter

FIRST_DAY = 19723
"""2024-01-01 as a day number."""
GRADES = {"I": "pulley_1", "II": "pulley_2", "III": "pulley_3", "IV": "pulley_4"}


class HandMadeView:
    """Frames that answer like an opened registry."""

    def __init__(self, tables: dict[str, pd.DataFrame], base: dict[str, pd.DataFrame]) -> None:
        self.tables, self.bases = tables, base
        self.label = "invented"
        self.identity: dict[str, Any] = {
            "name": "invented",
            "content_hash": "0" * 64,
            "derivation_version": 1,
        }

    def table(self, name: str) -> nw.LazyFrame[Any]:
        return enter(self.tables[name])

    def base(self, name: str) -> nw.LazyFrame[Any]:
        return enter(self.bases[name])

    def held(self) -> pd.DataFrame:
        return pd.DataFrame({"site": ["north"], "table": ["cases"], "reason": ["unknown_code"], "n": [2]})


def hand_made_view(n: int, *, seed: int = 7) -> HandMadeView:
    draw = np.random.default_rng(seed)
    cases = _cases(n, draw)
    tables = {
        "cases": cases,
        "findings": _findings(cases),
        "occurrences": _occurrences(cases),
        "risk_time": _risk_time(max(n, 6), draw),
    }
    sites = pd.DataFrame(
        {
            "site": ["north", "south"],
            "kind": ["clinic", "squad"],
            "case_definition": ["medical_attention", "time_loss"],
            "consecutive": ["yes", None],
            "exposure_method": ["none", "logged"],
            "contact_cadence_days": pd.array([28, None], dtype="Int64"),
            "covers_from": [None, None],
            "covers_to": [None, None],
        }
    )
    return HandMadeView(tables, {"sites": sites})


def _cases(n: int, draw: np.random.Generator) -> pd.DataFrame:
    minor = draw.random(n) < 0.15
    grade = draw.choice([*GRADES, "not_gradable"], n, p=[0.25, 0.25, 0.25, 0.05, 0.2])
    grade = np.where(minor, "not_gradable", grade)
    tier = np.array([GRADES.get(g, "joint") for g in grade], dtype=object)
    tier = np.where(minor, "growth_plate", tier)
    structure = np.where(np.isin(tier, list(GRADES.values())), draw.choice(["a2", "a4"], n), "capsule")
    structure = np.where(minor, "growth_plate", structure)
    kind = draw.choice(["exact", "interval", "censored"], n, p=[0.6, 0.2, 0.2])
    day = np.ceil(draw.gamma(4, 18, n)).astype(int) + 8
    onset_day = FIRST_DAY + draw.integers(0, 366, n)
    frame: dict[str, Any] = {
        "site": draw.choice(["north", "south"], n),
        "case": [f"c{i}" for i in range(n)],
        "occurrence": [f"c{i}" for i in range(n)],
        "climber": [f"south:k{i}" for i in draw.integers(0, max(1, n), n)],
        "squad": [None] * n,
        "season": ["2024"] * n,
        "onset_day": onset_day,
        "sex": draw.choice(["female", "male"], n),
        "age_at_onset": np.where(minor, 15, 28),
        "age_band": np.where(minor, "14-17", "25-34"),
        "minor": minor,
        "level": draw.choice(["recreational", "competitive_national", None], n),
        "dominant_hand": draw.choice(["right", None], n),
        "digit": draw.choice(["thumb", "index", "middle", "ring", "little"], n, p=[0.04, 0.1, 0.36, 0.4, 0.1]),
        "onset_mode": draw.choice(["sudden", "repetitive_gradual"], n, p=[0.8, 0.2]),
        "discipline": draw.choice(["bouldering", "lead"], n),
        "setting": draw.choice(["indoor", "outdoor"], n),
        "context": draw.choice(["training", "competition", "recreation"], n),
        "activity": draw.choice(["climbing", "hangboard"], n),
        "mechanism": draw.choice(["foot_slip", "dynamic_catch", "slow_pull", None], n),
        "grip": draw.choice(["full_crimp", "half_crimp", "open_hand", "unknown"], n),
        "pulley_grade": grade,
        "tier": tier,
        "main_structure": structure,
        "structure_family": np.where(minor, "growth_plate", np.where(structure == "capsule", "joint", "pulley")),
        "recorded_day": onset_day + 10,
        "first_seen_day": onset_day + 7,
        "entry_day": [7] * n,
        "match_set": [None] * n,
    }
    frame |= {f"has_{name}": (structure == name).astype(int) for name in STRUCTURES}
    for milestone in ("modified", "full", "previous_level"):
        for ending in ("", "_sustained"):
            name = f"{milestone}{ending}"
            frame[f"{name}_kind"] = kind
            frame[f"{name}_returned"] = kind != "censored"
            frame[f"{name}_day"] = day
            frame[f"{name}_after"] = np.where(kind == "interval", day - 8, np.nan)
            frame[f"{name}_reason"] = np.where(kind == "censored", draw.choice(["lost", "open"], n), None)
    return pd.DataFrame(frame)


def _findings(cases: pd.DataFrame) -> pd.DataFrame:
    kept = ["site", "case", "climber", "digit", "season", "sex", "age_band", "minor", "tier", "pulley_grade"]
    findings = cases[kept].assign(structure=cases["main_structure"], extent="partial", joint=None)
    return findings.astype({"structure": object})


def _occurrences(cases: pd.DataFrame) -> pd.DataFrame:
    kept = ["site", "occurrence", "climber", "squad", "onset_day", "season", "sex", "age_band", "minor", "level"]
    kept += ["onset_mode", "discipline", "setting", "context", "tier"]
    counted = np.where(cases["site"] == "south", "counted", "site_without_observation")
    return cases[kept].assign(fingers=1, time_loss_days=10, time_loss_complete=True, standing=counted)


def _risk_time(n: int, draw: np.random.Generator) -> pd.DataFrame:
    rows = []
    for climber in range(n):
        for discipline, setting, context in (
            ("bouldering", "indoor", "training"),
            ("lead", "outdoor", "recreation"),
            ("lead", "indoor", "competition"),
        ):
            minor = climber % 7 == 0
            rows.append(
                {
                    "site": "south",
                    "climber": f"south:k{climber}",
                    "squad": None,
                    "unit": "climber",
                    "season": "2024",
                    "starts_day": FIRST_DAY,
                    "ends_day": FIRST_DAY + 365,
                    "days": 366,
                    "discipline": discipline,
                    "setting": setting,
                    "context": context,
                    "sex": "female" if climber % 2 else "male",
                    "age_band": "14-17" if minor else "25-34",
                    "minor": minor,
                    "level": "recreational",
                    "minutes": int(draw.integers(1000, 9000)),
                    "sessions": int(draw.integers(10, 90)),
                    "starts": 0,
                    "climbers": 1,
                    "method": "logged",
                }
            )
    return pd.DataFrame(rows)


@pytest.fixture(scope="session")
def invented_view() -> Callable[[int], HandMadeView]:
    """Return a maker of invented registries with n cases."""
    return hand_made_view


@pytest.fixture(scope="session")
def results() -> dict[str, Any]:
    """Return one real result of every type, from the same eighty invented cases."""
    view = hand_made_view(80)
    cases = with_outcome(view.table("cases"), SEVERE_PULLEY)
    return {
        "bars": distribution(view, by="digit"),
        "heat": distribution(view, by=["structure", "digit"], of="findings"),
        "forest": odds_ratios(cases, outcome=SEVERE_PULLEY.name, exposure="grip", reference="open_hand"),
        "stratified": odds_ratios(
            cases, outcome=SEVERE_PULLEY.name, exposure="grip", reference="open_hand", strata="sex"
        ),
        "curves": return_curves(view, by="tier"),
        "one_curve": return_curves(view, by=None),
        "survival": survival_curves(
            {"days": [1.0, 2.0, 3.0, 4.0], "done": [True, False, True, True]}, duration="days", event="done"
        ),
        "rates": event_rates({"hurt": [1, 0, 2], "hours": [900.0, 100.0, 2000.0]}, events="hurt", exposure="hours"),
        "incidence": incidence_rates(view, by="setting"),
    }
