"""``annulary odds``: what goes with which injury."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from reports.commands.opening import AsCsv, AsJson, Freeze, Registry, opened
from reports.commands.showing import FigureFile, listed, next_step, show

if TYPE_CHECKING:
    from analysis.results import OddsRatios
    from registry.store.view import View

REFERENCES = {"grip": "open_hand", "mechanism": "slow_pull"}
"""What others are compared with unless --reference says otherwise: the gentlest of its list in common use."""


def odds(  # noqa: PLR0913, PLR0917 (a command's options are its parameters)
    registry: Registry = None,
    freeze: Freeze = None,
    design: Annotated[
        str,
        typer.Option(
            help="within_cases: injuries among themselves. case_control: cases beside unmatched referents. matched: "
            "cases beside the referents of their own set."
        ),
    ] = "within_cases",
    outcome: Annotated[
        str | None,
        typer.Option(
            help="COLUMN=VALUE[,VALUE]: the cases that have the outcome, against all other known ones; beside "
            "referents: which cases are compared. Several joined with + must hold together: complete A2 rupture is "
            "main_structure=a2+main_extent=complete, any A2 injury has_a2=yes. Default: pulley_grade=III,IV; "
            "beside referents all.",
            show_default=False,
        ),
    ] = None,
    among: Annotated[
        str | None,
        typer.Option(
            help="COLUMN=VALUE[,VALUE], joined with +: only these injuries are compared, for example complete against "
            "other A2 injuries with --among main_structure=a2 --outcome main_extent=complete.",
            show_default=False,
        ),
    ] = None,
    exposure: Annotated[
        str,
        typer.Option(
            help="Column, or columns with commas, whose levels are compared, such as grip, mechanism, or activity "
            "(campus board, hangboard, climbing)."
        ),
    ] = "grip",
    reference: Annotated[
        list[str] | None,
        typer.Option(
            help="LEVEL to compare with, or COLUMN=LEVEL, with commas or again for several columns. Default: open_hand "
            "for grip and slow_pull for mechanism where they occur, else the first.",
            show_default=False,
        ),
    ] = None,
    adjust: Annotated[
        str | None,
        typer.Option(
            help="What ratios are also adjusted for, with commas, such as sex,age_band: a logistic model (in matched "
            "sets a conditional one) for each exposure.",
            show_default=False,
        ),
    ] = None,
    strata: Annotated[
        str | None, typer.Option(help="Column over which a common ratio is pooled.", show_default=False)
    ] = None,
    unit: Annotated[
        str | None, typer.Option(help="Unit of the referents: climber, session or move.", show_default=False)
    ] = None,
    sampling: Annotated[
        str | None,
        typer.Option(help="Referents drawn: unmatched, density, matched or own_earlier.", show_default=False),
    ] = None,
    interaction: Annotated[
        str | None,
        typer.Option(help="a:b, with commas: does the ratio of one differ by the other?", show_default=False),
    ] = None,
    trend: Annotated[
        str | None,
        typer.Option(
            help="Test the trend over an exposure whose levels are ordered, such as age_band.", show_default=False
        ),
    ] = None,
    missing: Annotated[
        bool, typer.Option("--missing", help="Also the ratios with missing values kept as a level, and imputed.")
    ] = False,
    people: Annotated[
        str | None,
        typer.Option(help="adults, minors or all. Default: adults; beside referents all.", show_default=False),
    ] = None,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Compare the injured with each other, or with referents: which grip or mechanism goes with which injury."""
    from registry.errors import OptionError

    exposures, covariates = listed(exposure), listed(adjust or "")
    if not exposures:
        raise OptionError("--exposure names no column; name one or more, for example grip,mechanism.")
    within = design == "within_cases"
    options: dict[str, Any] = {
        "design": design,
        "outcome": _outcome(outcome, within=within),
        "among": among,
        "exposures": exposures,
        "adjust": covariates,
        "references": _references(reference or [], exposures, covariates),
        "strata": strata,
        "unit": unit,
        "sampling": sampling,
        "interactions": listed(interaction or ""),
        "trend": listed(trend or ""),
        "missing": missing,
        "people": _people(people, within=within),
    }
    with opened(registry, freeze) as view:
        show([_answer(view, options)], view, as_json=as_json, as_csv=as_csv, figure=figure)
    asked = {
        "design": None if within else design,
        "outcome": outcome,
        "among": among,
        "exposure": exposure,
        "reference": ",".join(reference or []) or None,
        "adjust": adjust,
        "strata": strata,
        "unit": unit,
        "sampling": sampling,
        "people": people,
    }
    next_step(_following(asked, drawn=figure is not None), registry, freeze)


def _answer(view: View, options: dict[str, Any]) -> OddsRatios:
    """Compare; a usual reference that nobody asked for gives way where no row has it, and the result says so."""
    from analysis.mechanism import mechanism_odds
    from analysis.results import Note
    from registry.errors import DataError

    given = options["references"]
    usual = {
        name: level
        for name, level in REFERENCES.items()
        if name in (*options["exposures"], *options["adjust"]) and name not in given
    }
    notes: list[Note] = []
    while True:
        try:
            result = mechanism_odds(view, **{**options, "references": {**usual, **given}})
        except DataError as error:
            gone = [name for name, level in usual.items() if f"has '{level}', the reference of '{name}'" in str(error)]
            if not gone:
                raise DataError(_with_way_out(str(error))) from None
            level = usual.pop(gone[0])
            sentence = (
                f"No row that can be compared has '{level}', the usual reference of '{gone[0]}': another stands in."
            )
            notes.append(Note("reference_moved", sentence))
        else:
            return replace(result, notes=(*notes, *result.notes))


def _with_way_out(sentence: str) -> str:
    """Add how rare levels are left out here: rows cannot be recoded on the command line."""
    if "bring levels together" not in sentence:
        return sentence
    return f"{sentence} Or keep only the levels that you name: --among COLUMN=LEVEL,LEVEL."


def _following(asked: dict[str, str | None], *, drawn: bool) -> str:
    """Return the next call: the picture of this one, then the adjusted ratios, then the whole answer for programs."""
    more = "--figure odds.svg"
    if drawn:
        more = "--json" if asked["adjust"] or asked["design"] else "--adjust sex,age_band"
    words = [f"--{name} {shlex.quote(word)}" for name, word in asked.items() if word]
    return " ".join(["annulary odds", *words, more])


def _outcome(outcome: str | None, *, within: bool) -> str | None:
    from analysis.outcomes import SEVERE_PULLEY, read_outcome

    if outcome is None:
        return SEVERE_PULLEY.name if within else None
    return read_outcome(outcome).name


def _people(people: str | None, *, within: bool) -> str | None:
    from analysis.odds_columns import PEOPLE
    from registry.errors import OptionError, suggestion

    if people is None:
        return "adults" if within else None
    if people not in (*PEOPLE, "all"):
        near = suggestion(people, [*PEOPLE, "all"])
        raise OptionError(f"--people is '{people}'; it is one of {', '.join(PEOPLE)}, all.{near}")
    return None if people == "all" else people


def _references(given: Sequence[str], exposures: Sequence[str], adjust: Sequence[str]) -> dict[str, str]:
    """Read LEVEL and COLUMN=LEVEL."""
    from registry.errors import OptionError, suggestion

    columns = [*exposures, *adjust]
    read: dict[str, str] = {}
    for word in (part for words in given for part in listed(words)):
        name, equals, level = (part.strip() for part in word.partition("="))
        if not equals:
            if len(exposures) > 1:
                raise OptionError(
                    f"--reference {word} leaves open of which column; write one of "
                    f"{', '.join(f'{column}={word}' for column in exposures)}."
                )
            read[exposures[0]] = name
        elif name not in columns:
            raise OptionError(
                f"--reference {word}: '{name}' is neither compared nor adjusted for; the columns are "
                f"{', '.join(columns)}.{suggestion(name, columns)}"
            )
        elif not level:
            raise OptionError(f"--reference {word} is not COLUMN=LEVEL; write the level behind the sign.")
        else:
            read[name] = level
    return read


COMMANDS = [("odds", odds)]
