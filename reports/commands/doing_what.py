"""``annulary odds``: what goes with which injury."""

from __future__ import annotations

from typing import Annotated

import typer

from reports.commands.opening import AsCsv, AsJson, Freeze, Registry, opened
from reports.commands.showing import FigureFile, next_step, show

REFERENCES = {"grip": "open_hand", "mechanism": "slow_pull"}
"""What others are compared with unless --reference says otherwise: the gentlest of its list in common use."""


def odds(  # noqa: PLR0913, PLR0917 (a command's options are its parameters)
    registry: Registry = None,
    freeze: Freeze = None,
    outcome: Annotated[
        str, typer.Option(help="COLUMN=VALUE[,VALUE]: the cases that have the outcome, against all other known ones.")
    ] = "pulley_grade=III,IV",
    exposure: Annotated[str, typer.Option(help="Column whose levels are compared.")] = "grip",
    reference: Annotated[
        str | None,
        typer.Option(
            help="Level to compare with. Default: open_hand for grip, slow_pull for mechanism, else the first.",
            show_default=False,
        ),
    ] = None,
    strata: Annotated[
        str | None, typer.Option(help="Column over which a common ratio is pooled.", show_default=False)
    ] = None,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    figure: FigureFile = None,
) -> None:
    """Compare the injured with each other: which grip or mechanism goes with which injury (adults)."""
    from analysis.odds import odds_ratios
    from analysis.sources import cases_of
    from reports.outcomes import gradual_set_apart, read_outcome, with_outcome

    asked = read_outcome(outcome)
    with opened(registry, freeze) as view:
        cases = with_outcome(gradual_set_apart(cases_of(view)), asked)
        result = odds_ratios(
            cases,
            people="adults",
            outcome=asked.name,
            exposure=exposure,
            reference=reference or REFERENCES.get(exposure),
            strata=strata,
        )
        show([result], view, as_json=as_json, as_csv=as_csv, figure=figure)
    next_step("annulary odds --exposure mechanism --figure mechanism.svg", registry, freeze)


COMMANDS = [("odds", odds)]
