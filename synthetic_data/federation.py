"""The whole invented federation, written as the CSV deliveries of its sites."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from dataclasses import astuple, dataclass, field, fields
from pathlib import Path
from random import Random
from zlib import crc32

import numpy as np

from registry.errors import OptionError
from synthetic_data.calendar import Calendar
from synthetic_data.climbing import Climbs
from synthetic_data.deliveries import Desk, Ledger
from synthetic_data.life import live
from synthetic_data.people import draw_climber
from synthetic_data.shelf import Shelf, make_folder, open_to_write, require_empty
from synthetic_data.spoil import CLINIC_DAMAGES, TIMESHEET_DAMAGES, SpoiledCell, spoil
from synthetic_data.truth import Site, Truth, true_parameters

DEFAULT_SEED = 20260630
UNTIDY_SITES = {"sulmarre": CLINIC_DAMAGES, "pellawick": TIMESHEET_DAMAGES}
TRUTH_FOLDER = "truth"


@dataclass(frozen=True)
class Delivery:
    """One site's folder of CSV files."""

    code: str
    name: str
    kind: str
    folder: Path
    rows: dict[str, int]
    """Table -> rows written."""


@dataclass(frozen=True)
class Federation:
    """What was written, in the order in which it should be delivered."""

    name: str
    folder: Path
    sites: tuple[Delivery, ...]
    truth_folder: Path
    """Holds ledger.csv, courses.csv and spoiled.csv: what no site knows."""
    spoiled: tuple[SpoiledCell, ...] = field(default=())

    @property
    def rows(self) -> dict[str, int]:
        """Rows over all sites by table."""
        total: dict[str, int] = {}
        for site in self.sites:
            for table, n in site.rows.items():
                total[table] = total.get(table, 0) + n
        return total


def write_federation(
    out: Path,
    *,
    climbers: int = 1000,
    seasons: int = 3,
    seed: int = DEFAULT_SEED,
    untidy: bool = True,
    truth: Truth | None = None,
    progress: Callable[[float], None] | None = None,
) -> Federation:
    """Simulate the federation and write one folder of CSV files a site.

    Parameters
    ----------
    out
        A folder that does not exist yet, or is empty.
    climbers
        About how many climbers the deliveries hold together; the people behind the clinics who are never hurt badly
        enough to come are simulated in addition.
    seasons
        Calendar years, the last of which is 2025.
    seed
        The same seed gives the same bytes. The climbers of a smaller federation are the first of a larger one.
    untidy
        Make a handful of cells bad on purpose; ``truth/spoiled.csv`` lists them.
    truth
        Other true parameters than those of ``truth.toml``.
    progress
        Called now and then with the share that is done, from 0 to 1.

    Returns
    -------
    Federation
        The sites with their folders, in the order of delivery.

    Raises
    ------
    OptionError
        If a number is out of range or the folder is not empty.
    NotWritableError
        If the folder cannot be made.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     federation = write_federation(Path(folder), climbers=20, seasons=1)
    ...     [site.code for site in federation.sites][:2]
    ['orvendal', 'marnholt']
    """
    _check_options(climbers, seasons, seed)
    require_empty(out)
    make_folder(out)
    known = truth or true_parameters()
    calendar = Calendar(known.last_season - seasons + 1, known.last_season, known.burn_in_days)
    climbs = Climbs(known, calendar)
    ledger = Ledger(climbs.kinds)
    numbers = {site.code: max(1, round(climbers * site.people)) for site in known.sites}
    tell = _Progress(progress, sum(numbers.values()))
    deliveries = tuple(
        _deliver(site, out / site.code, numbers[site.code], climbs, seed, ledger, tell) for site in known.sites
    )
    spoiled = [
        cell
        for site in deliveries
        if untidy and site.code in UNTIDY_SITES
        for cell in spoil(site.folder, site.code, damages=UNTIDY_SITES[site.code])
    ]
    federation = Federation(known.name, out, deliveries, out / TRUTH_FOLDER, tuple(spoiled))
    _write_truth(federation, ledger)
    return federation


def _check_options(climbers: int, seasons: int, seed: int) -> None:
    for name, value, low, high in (
        ("climbers", climbers, 1, 10_000_000),
        ("seasons", seasons, 1, 30),
        ("seed", seed, 0, 2**63),
    ):
        if not low <= value <= high:
            raise OptionError(f"{name} must lie between {low} and {high}; got {value}.")


def _deliver(
    site: Site, folder: Path, people: int, climbs: Climbs, seed: int, ledger: Ledger, tell: _Progress
) -> Delivery:
    with Shelf(folder) as shelf:
        desk = Desk(site, climbs, shelf, Random(f"{seed}/{site.code}"))
        desk.introduce(people)
        for index in range(people):
            # A generator of their own for everyone: nobody's life depends on how many others there are.
            chance = Random(f"{seed}/{site.code}/{index}")
            numbers = np.random.default_rng([seed, crc32(site.code.encode()), index])
            climber = draw_climber(
                index, people, site=site, truth=climbs.truth, calendar=climbs.calendar, chance=chance
            )
            life = live(climber, climbs, chance=chance, numbers=numbers)
            ledger.add(site.code, life)
            ledger.courses += desk.write(life, chance)
            tell.one_more()
        desk.close()
        return Delivery(site.code, site.name, site.kind, folder, dict(shelf.counts))


def _write_truth(federation: Federation, ledger: Ledger) -> None:
    folder = federation.truth_folder
    make_folder(folder)
    _write_csv(folder / "ledger.csv", ledger.COLUMNS, ledger.rows())
    _write_csv(folder / "courses.csv", ledger.COURSE_COLUMNS, ledger.courses)
    spoiled = [astuple(cell) for cell in federation.spoiled]
    _write_csv(folder / "spoiled.csv", [part.name for part in fields(SpoiledCell)], spoiled)


def _write_csv(path: Path, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    with open_to_write(path) as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


@dataclass
class _Progress:
    call: Callable[[float], None] | None
    people: int
    done: int = 0

    def one_more(self) -> None:
        self.done += 1
        if self.call is not None and (self.done % max(1, self.people // 100) == 0 or self.done == self.people):
            self.call(self.done / self.people)
