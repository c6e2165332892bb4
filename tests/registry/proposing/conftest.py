"""Invented exports in several languages and conventions."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path

import pytest

from registry.proposing import Draft, propose_map

FINGERS = ("index", "middle", "ring", "little")


@dataclass(frozen=True)
class Convention:
    """How one invented clinic writes its table: (header, what it holds) in order, and its words."""

    file: str
    encoding: str
    separator: str
    day: str
    headers: tuple[tuple[str, str], ...]
    words: dict[str, dict[str, str]]
    decimal: str = ","
    part: str = "{structure} {extent}"
    join: str = "+"
    latest_day: int = 28
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()


@cache
def draft_of(path: Path) -> Draft:
    return propose_map(path, site="invented")


@dataclass(frozen=True)
class Export:
    path: Path
    convention: Convention
    truth: tuple[dict[str, str], ...]
    """Our codes and ISO dates of each case, in the order of the rows."""

    @property
    def draft(self) -> Draft:
        return draft_of(self.path)

    @property
    def holds(self) -> dict[str, str]:
        return dict(self.convention.headers)


def write_export(folder: Path, convention: Convention, *, cases: int = 60) -> Export:
    draw = random.Random(7)
    sep = convention.separator
    lines = [*convention.before, sep.join(header for header, _ in convention.headers)]
    truth = []
    for number in range(1, cases + 1):
        row, codes = _record(draw, number, convention)
        truth.append(codes)
        lines.append(sep.join(row.get(what, "") for _, what in convention.headers))
    path = folder / convention.file
    path.write_bytes("\r\n".join([*lines, *convention.after, ""]).encode(convention.encoding))
    return Export(path, convention, tuple(truth))


def _record(draw: random.Random, number: int, convention: Convention) -> tuple[dict[str, str], dict[str, str]]:
    words = convention.words
    truth: dict[str, str] = {}

    def said(name: str, *options: str) -> str:
        code = truth[name] = draw.choice(options or tuple(words[name]))
        return words.get(name, {}).get(code, code)

    def day(moment: date) -> str:
        return moment.replace(day=1 + moment.day % convention.latest_day).strftime(convention.day)

    onset = date(2023, 1, 10) + timedelta(days=9 * number)
    truth["onset"] = onset.replace(day=1 + onset.day % convention.latest_day).isoformat()
    dominant, preferred = said("side", "left", "right"), said("discipline")
    structures = draw.sample(["a2", "a4", "capsule"], k=1 + (number % 5 == 0))
    extents = [said("extent", "partial", "complete", "strain") for _ in structures]
    parts = [
        convention.part.format(structure=words["structure"].get(one, one), extent=extent)
        for one, extent in zip(structures, extents, strict=True)
    ]
    row = {
        "case": f"{number:04d}",
        "athlete": f"K{(number * 37) % 45 + 10000}",
        "sex": said("sex", "female", "male"),
        "birth_year": str(draw.randint(1975, 2010)),
        "age_at_onset": str(draw.randint(14, 48)),
        "onset": day(onset),
        "first_seen": day(onset + timedelta(days=8)),
        "side": said("side", "left", "right"),
        "digit": said("digit", *FINGERS),
        "structures": convention.join.join(parts),
        "extents": convention.join.join(extents),
        "grip": said("grip"),
        "mechanism": said("mechanism"),
        "discipline": said("discipline"),
        "gap_mm": f"{draw.uniform(0.8, 4.5):.1f}".replace(".", convention.decimal) if number % 3 else "",
        "ultrasound_on": day(onset + timedelta(days=10)) if number % 4 else "",
        "full_from": day(onset + timedelta(days=70)) if number % 6 else "",
        "last_contact": day(onset + timedelta(days=90)),
        "seen 1": day(onset + timedelta(days=30)),
        "status 1": said("status", "off", "easy"),
        "seen 2": day(onset + timedelta(days=60)) if number % 3 else "",
        "status 2": said("status", "easy", "full") if number % 3 else "",
        "preferred": preferred,
        "shoe size": str(draw.randint(36, 45)),
        "free text": f"talked with Quendel Hofer {number}" if number % 2 else "",
        "name": f"Quendel Hofer{number}",
        "mail": f"q.hofer{number}@post.example",
        "birth date": day(date(1990, 5, 4) + timedelta(days=number)),
        "other date": day(onset + timedelta(days=15)),
        "dominant": dominant,
    }
    return row, truth


ITALIAN = Convention(
    file="infortuni.csv", encoding="utf-8-sig", separator=";", day="%d/%m/%Y", join="+", part="{structure}",
    headers=(
        ("N. caso", "case"), ("Codice atleta", "athlete"), ("Sesso", "sex"), ("Anno di nascita", "birth_year"),
        ("Data infortunio", "onset"), ("Prima visita", "first_seen"), ("Lato", "side"), ("Dito", "digit"),
        ("Struttura lesa", "structures"), ("Entità", "extents"), ("Distanza tendine-osso mm", "gap_mm"),
        ("Presa", "grip"), ("Dinamica", "mechanism"), ("Disciplina", "discipline"),
        ("Quando ha smesso il dolore", "other date"),
        ("Controllo 1 data", "seen 1"), ("Controllo 1 stato", "status 1"), ("Controllo 2 data", "seen 2"),
        ("Controllo 2 stato", "status 2"), ("Osservazioni", "free text"),
    ),
    words={
        "sex": {"female": "F", "male": "M"}, "side": {"left": "sx", "right": "dx"},
        "digit": {"index": "indice", "middle": "medio", "ring": "anulare", "little": "mignolo"},
        "structure": {"a2": "puleggia A2", "a4": "puleggia A4", "capsule": "capsula"},
        "extent": {"partial": "parziale", "complete": "completa", "strain": "stiramento"},
        "grip": {"full_crimp": "arcuata", "half_crimp": "semiarcuata", "open_hand": "mano aperta"},
        "mechanism": {"foot_slip": "piede scivolato", "dynamic_catch": "lancio", "slow_pull": "trazione lenta"},
        "discipline": {"bouldering": "boulder", "lead": "da primo"},
        "status": {"off": "non arrampica", "easy": "arrampicata facile", "full": "arrampicata completa"},
    },
)  # fmt: skip
SPANISH = Convention(
    file="lesiones 2024.txt", encoding="cp1252", separator=";", day="%d-%m-%Y", part="{structure} ({extent})",
    join=", ",
    before=("Clínica de la mano; exportación",), after=("TOTAL;60",),
    headers=(
        ("Nº de caso", "case"), ("Fecha de la lesión", "onset"), ("Código del escalador", "athlete"),
        ("Edad", "age_at_onset"),
        ("Sexo", "sex"), ("Mano", "side"), ("Dedo", "digit"), ("Hallazgos", "structures"), ("Tipo de agarre", "grip"),
        ("Mecanismo lesional", "mechanism"), ("Modalidad", "discipline"), ("Ecografía fecha", "ultrasound_on"),
        ("Distancia mm", "gap_mm"), ("fecha 1º control", "seen 1"), ("estado 1º control", "status 1"),
        ("fecha 2º control", "seen 2"), ("estado 2º control", "status 2"), ("Talla de zapato", "shoe size"),
        ("Año de alta", "other date"),
    ),
    words={
        "sex": {"female": "M", "male": "H"}, "side": {"left": "I", "right": "D"},
        "digit": {"index": "índice", "middle": "corazón", "ring": "anular", "little": "meñique"},
        "structure": {"a2": "polea A2", "a4": "polea A4", "capsule": "cápsula"},
        "extent": {"partial": "rotura parcial", "complete": "rotura completa", "strain": "distensión"},
        "grip": {"full_crimp": "arqueo", "half_crimp": "semiarqueo", "open_hand": "mano abierta", "other": "regleta"},
        "mechanism": {"foot_slip": "resbalón del pie", "dynamic_catch": "lance", "hangboard": "tabla multipresa"},
        "discipline": {"bouldering": "búlder", "lead": "de primero"},
        "status": {"off": "no escala", "easy": "escalada suave", "full": "escalada completa"},
    },
)  # fmt: skip
POLISH = Convention(
    file="urazy.csv", encoding="cp1250", separator=",", day="%d.%m.%Y", decimal=".", part="{structure}: {extent}",
    join="; ",
    headers=(
        ("Wspinacz", "athlete"), ("Nr przypadku", "case"), ("Płeć", "sex"), ("Rok urodzenia", "birth_year"),
        ("Strona", "side"), ("Uszkodzony palec", "digit"), ("Data urazu", "onset"), ("Struktury", "structures"),
        ("Chwyt", "grip"), ("Mechanizm urazu", "mechanism"), ("Dyscyplina", "discipline"),
        ("USG dnia", "ultrasound_on"),
        ("Odstęp mm", "gap_mm"), ("kontrola_1_data", "seen 1"), ("kontrola_1_status", "status 1"),
        ("kontrola_2_data", "seen 2"), ("kontrola_2_status", "status 2"), ("Imię", "name"),
    ),
    words={
        "sex": {"female": "K", "male": "M"}, "side": {"left": "L", "right": "P"},
        "digit": {"index": "wskazujący", "middle": "środkowy", "ring": "serdeczny", "little": "mały"},
        "structure": {"a2": "troczek A2", "a4": "troczek A4", "capsule": "torebka stawowa"},
        "extent": {"partial": "częściowe zerwanie", "complete": "całkowite zerwanie", "strain": "naciągnięcie"},
        "grip": {"pinch": "ścisk", "half_crimp": "półzacisk", "open_hand": "otwarta dłoń"},
        "mechanism": {"foot_slip": "poślizg stopy", "dynamic_catch": "ruch dynamiczny", "other": "inne"},
        "discipline": {"bouldering": "bulder", "lead": "prowadzenie"},
        "status": {"off": "nie wspina się", "easy": "lekkie wspinanie", "full": "pełne wspinanie"},
    },
)  # fmt: skip
DUTCH = Convention(
    file="vingerletsels.tsv", encoding="utf-8", separator="\t", day="%d-%m-%Y",
    headers=(
        ("Gevalnr", "case"), ("Klimmercode", "athlete"), ("Geslacht", "sex"), ("Geboortejaar", "birth_year"),
        ("Datum letsel", "onset"), ("Eerste consult", "first_seen"), ("Zijde", "side"), ("Voorkeurshand", "dominant"),
        ("Vinger", "digit"), ("Bevindingen", "structures"), ("Afstand pees-bot mm", "gap_mm"), ("Greep", "grip"),
        ("Toedracht", "mechanism"), ("Klimdiscipline", "discipline"), ("Echo op", "ultrasound_on"),
        ("Volledig klimmen vanaf", "full_from"), ("Laatste contact", "last_contact"), ("Opmerkingen", "free text"),
    ),
    words={
        "sex": {"female": "v", "male": "m"}, "side": {"left": "links", "right": "rechts"},
        "digit": {"index": "wijsvinger", "middle": "middelvinger", "ring": "ringvinger", "little": "pink"},
        "structure": {"a2": "A2 katrol", "a4": "A4 katrol", "capsule": "gewrichtskapsel"},
        "extent": {"partial": "gedeeltelijke scheur", "complete": "volledige scheur", "strain": "verrekking"},
        "grip": {"half_crimp": "halve crimp", "full_crimp": "crimp", "open_hand": "vlakke hand"},
        "mechanism": {"foot_slip": "voet weggegleden", "dynamic_catch": "dynamische beweging", "hangboard": "hangbord"},
        "discipline": {"bouldering": "boulderen", "lead": "voorklimmen"},
    },
)  # fmt: skip
ENGLISH = Convention(
    file="Injuries export.txt", encoding="utf-16", separator="\t", day="%m/%d/%Y", decimal=".", latest_day=12,
    part="{structure}",
    headers=(
        ("Record", "case"), ("Subject ID", "athlete"), ("Gender", "sex"), ("Date of birth", "birth date"),
        ("Age", "age_at_onset"), ("Injury date", "onset"), ("Date of surgery", "other date"), ("Injured hand", "side"),
        ("Dominant hand", "dominant"), ("Injured finger", "digit"), ("Structure", "structures"),
        ("Severity", "extents"),
        ("Gap", "gap_mm"), ("Grip type", "grip"), ("What happened", "mechanism"), ("Climbing type", "discipline"),
        ("MRI date", "ultrasound_on"), ("Return to full climbing", "full_from"), ("Last visit", "last_contact"),
        ("Contact", "mail"),
    ),
    words={
        "sex": {"female": "Female", "male": "Male"}, "side": {"left": "Left", "right": "Right"},
        "digit": {"index": "2", "middle": "3", "ring": "4", "little": "5"},
        "structure": {"a2": "A2 pulley", "a4": "A4 pulley", "capsule": "Capsule"},
        "extent": {"partial": "Partial tear", "complete": "Complete rupture", "strain": "Sprain"},
        "grip": {"half_crimp": "Half crimp", "full_crimp": "Full crimp", "sloper": "Sloper"},
        "mechanism": {"foot_slip": "Foot slipped", "dynamic_catch": "Dyno", "hangboard": "Fingerboard"},
        "discipline": {"bouldering": "Boulder", "lead": "Lead climbing"},
    },
)  # fmt: skip
SWEDISH = Convention(
    file="fingerskador.csv", encoding="cp1252", separator=";", day="%Y-%m-%d",
    headers=(
        ("Skadenr", "case"), ("Klättrare", "athlete"), ("Kön", "sex"), ("Födelseår", "birth_year"),
        ("Skadedatum", "onset"), ("Första besök", "first_seen"), ("Sida", "side"), ("Finger", "digit"),
        ("Föredragen disciplin", "preferred"), ("Fynd", "structures"), ("Grepp", "grip"), ("Rörelse", "mechanism"),
        ("Ultraljud", "ultrasound_on"), ("Full klättring från", "full_from"), ("Senaste kontakt", "last_contact"),
    ),
    words={
        "sex": {"female": "K", "male": "M"}, "side": {"left": "V", "right": "H"},
        "digit": {"index": "pekfinger", "middle": "långfinger", "ring": "ringfinger", "little": "lillfinger"},
        "structure": {"capsule": "kapsel"},
        "extent": {"partial": "partiell ruptur", "complete": "total ruptur", "strain": "sträckning"},
        "grip": {"half_crimp": "halvkrimp", "full_crimp": "krimp", "open_hand": "öppen hand"},
        "mechanism": {"foot_slip": "foten halkade", "dynamic_catch": "dynamisk rörelse", "hangboard": "hangboard"},
        "discipline": {"bouldering": "bouldering", "lead": "lead"},
    },
)  # fmt: skip
"""A language that the vocabulary does not know; its neighbours' words look much like it."""
INVENTED = {
    "italian": ITALIAN,
    "spanish": SPANISH,
    "polish": POLISH,
    "dutch": DUTCH,
    "english": ENGLISH,
    "swedish": SWEDISH,
}


@pytest.fixture(scope="session")
def every_invented(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Export]:
    folder = tmp_path_factory.mktemp("invented")
    return {language: write_export(folder, convention) for language, convention in INVENTED.items()}


@pytest.fixture(params=list(INVENTED))
def invented(request: pytest.FixtureRequest, every_invented: dict[str, Export]) -> Export:
    return every_invented[request.param]


@pytest.fixture
def example() -> Callable[[str], Draft]:
    """Drafts for the three exports of the tests' data."""
    return lambda name: draft_of(Path(__file__).parents[1] / "exports" / name)
