"""The earliest times of published rehabilitation protocols, as a reference beside observed returns.

They are what a protocol allows, not what climbers did: an observed curve is expected to lie behind them, and
no comparison with them says that a clinic is slow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Endpoint = Literal["easy sport", "full sport"]

LABEL = "Earliest times of published rehabilitation protocols, not observed courses"
CLOCK = (
    "The protocols count from the start of treatment; for grade IV that is the operation. "
    "The registry's curves count from onset."
)
MAIN_SOURCE = (
    "Schöffl & Schöffl 2006, J Hand Surg Am 31:647-654 (grading after Schöffl et al. 2003, Wilderness "
    "Environ Med "
    "14:94-100); table read in a secondary publication"
)
ALGORITHM = "Jones & Johnson 2016, treatment algorithm"
PHYSIOTHERAPY = "a physiotherapy article, read second-hand; authors not shown in the copy"


@dataclass(frozen=True, kw_only=True)
class ProtocolTime:
    """The earliest day that a protocol names for one pulley grade and one endpoint.

    ``low_day`` and ``high_day`` are days from the protocol's clock; a month is taken as 365/12 days.
    """

    grade: str
    endpoint: Endpoint
    low_day: int
    high_day: int
    as_printed: str
    source: str

    @property
    def tier(self) -> str:
        """The severity tier that the grade stands for."""
        return f"pulley_{('I', 'II', 'III', 'IV').index(self.grade) + 1}"


def _main(grade: str, endpoint: Endpoint, low_day: int, high_day: int, as_printed: str) -> ProtocolTime:
    return ProtocolTime(
        grade=grade,
        endpoint=endpoint,
        low_day=low_day,
        high_day=high_day,
        as_printed=as_printed,
        source=MAIN_SOURCE,
    )


def _other(grade: str, low_day: int, high_day: int, as_printed: str, source: str) -> ProtocolTime:
    return ProtocolTime(
        grade=grade,
        endpoint="full sport",
        low_day=low_day,
        high_day=high_day,
        as_printed=as_printed,
        source=source,
    )


PROTOCOL_TIMES = (
    _main("I", "easy sport", 28, 28, "4 weeks"),
    _main("II", "easy sport", 28, 28, "4 weeks"),
    _main("III", "easy sport", 42, 56, "6 to 8 weeks"),
    _main("IV", "easy sport", 122, 122, "4 months"),
    _main("I", "full sport", 42, 42, "6 weeks"),
    _main("II", "full sport", 42, 56, "6 to 8 weeks"),
    _main("III", "full sport", 91, 91, "3 months"),
    _main("IV", "full sport", 182, 182, "6 months"),
    _other("II", 28, 42, "4 to 6 weeks", PHYSIOTHERAPY),
    _other("II", 42, 84, "6 to 12 weeks (single rupture, no bowstringing)", ALGORITHM),
    _other("III", 42, 84, "6 to 12 weeks (single rupture, no bowstringing)", ALGORITHM),
    _other("IV", 182, 182, "about 6 months (bowstringing, surgery)", ALGORITHM),
)
"""The sources disagree; all are listed."""

OBSERVED_COURSES = (
    "For comparison, an observed course with another endpoint: complete ruptures treated with a ring "
    "splint were "
    "back at their previous level after 8.8 months on average, 38 of 43 of them "
    "(Schneeberger & Schweizer 2016, Wilderness Environ Med 27:211-218)."
)


def full_sport_range(grade: str) -> tuple[int, int]:
    """Return the first and last day that the sources name for "full sport" of a pulley grade.

    Examples
    --------
    >>> full_sport_range("III")
    (42, 91)
    """
    times = [time for time in PROTOCOL_TIMES if time.grade == grade and time.endpoint == "full sport"]
    return min(time.low_day for time in times), max(time.high_day for time in times)
