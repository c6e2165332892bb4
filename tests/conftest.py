"""Fixtures shared by the folders: small deliveries written to disk, and a fixed clock."""

from __future__ import annotations

import os

# As the command line does, before numpy loads: small matrices gain nothing from threads, and two workers would fight
# over the cores.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import settings

from registry import take_in as take_delivery_in
from registry.intake.report import IntakeReport

settings.register_profile("house", deadline=None, max_examples=40)  # a busy machine is no failure of the code
settings.load_profile("house")

CLOCK = datetime(2026, 6, 30, 12, 0)
"""The day on which every test's delivery arrives."""

SITE = (
    "site,kind,case_definition,consecutive,exposure_method,pseudonym_pattern\n"
    "north,clinic,medical_attention,yes,logged,[A-Z]{2}[0-9]{5}\n"
)
CLEAN: dict[str, str] = {
    "sites": SITE,
    "athletes": "athlete,sex,birth_year\nAB10001,female,1990\nAB10002,male,1985\nAB10003,male,2009\n",
    "observation": (
        "athlete,starts_on,ends_on,guardian_consent\n"
        "AB10001,2024-01-01,2024-12-31,\nAB10002,2024-01-01,2024-12-31,\nAB10003,2024-01-01,2024-12-31,yes\n"
    ),
    "exposure": (
        "athlete,starts_on,ends_on,discipline,setting,context,minutes_total\n"
        "AB10001,2024-01-01,2024-12-31,bouldering,indoor,training,12000\n"
        "AB10002,2024-01-01,2024-12-31,lead,outdoor,recreation,9000\n"
        "AB10003,2024-01-01,2024-12-31,bouldering,indoor,competition,6000\n"
    ),
    "cases": (
        "case,athlete,onset,first_seen,side,digit,onset_mode,grip,mechanism\n"
        "0001,AB10001,2024-03-01,2024-03-05,left,ring,sudden,full_crimp,foot_slip\n"
        "0002,AB10002,2024-05-01,2024-05-02,right,middle,sudden,half_crimp,slow_pull\n"
        "0003,AB10003,2024-07-01,2024-07-09,left,middle,repetitive_gradual,not_applicable,none\n"
    ),
    "findings": (
        "case,structure,joint,extent,seen_by,found_on\n"
        "0001,a2,,complete,ultrasound,2024-03-05\n0002,a4,,partial,ultrasound,2024-05-02\n"
        "0003,growth_plate,pip,stress_reaction,mri,2024-07-12\n"
    ),
    "follow_ups": (
        "case,seen,status,since\n"
        "0001,2024-03-05,off_climbing,\n0001,2024-06-10,full_climbing,2024-06-01\n"
        "0002,2024-05-02,modified_climbing,\n0002,2024-06-20,full_climbing,\n"
        "0003,2024-07-09,off_climbing,\n"
    ),
}
"""A clean delivery of one site; the people and numbers are invented."""


@pytest.fixture
def write_delivery(tmp_path: Path) -> Callable[..., Path]:
    """Write CSV texts as a delivery folder and return it."""

    def write(texts: Mapping[str, str | bytes], name: str = "delivery") -> Path:
        folder = tmp_path / name
        folder.mkdir(exist_ok=True)
        for table, text in texts.items():
            data = text if isinstance(text, bytes) else text.encode("utf-8")
            (folder / f"{table}.csv").write_bytes(data)
        return folder

    return write


@pytest.fixture
def take_in(tmp_path: Path) -> Callable[..., IntakeReport]:
    """Take a delivery of the site ``north`` into the test's registry, at the fixed clock."""

    def take(delivery: Path, **options: object) -> IntakeReport:
        settings: dict[str, object] = {
            "registry": tmp_path / "registry.duckdb",
            "site": "north",
            "received_at": CLOCK,
        }
        return take_delivery_in(delivery, **{**settings, **options})  # type: ignore[arg-type]

    return take


@pytest.fixture
def clean() -> dict[str, str]:
    """Return the clean delivery, to be spoiled at will."""
    return dict(CLEAN)


@pytest.fixture(scope="session")
def clean_registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a registry with the clean delivery, made once; for tests that only read it."""
    folder = tmp_path_factory.mktemp("clean")
    for table, text in CLEAN.items():
        (folder / f"{table}.csv").write_text(text, encoding="utf-8")
    take_delivery_in(folder, registry=folder / "registry.duckdb", site="north", received_at=CLOCK)
    return folder / "registry.duckdb"
