"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

RegistryOption = Annotated[
    Path,
    typer.Option("--registry", envvar="ANNULARY_REGISTRY", help="The registry file.", metavar="FILE"),
]
ByOption = Annotated[
    str | None,
    typer.Option("--by", envvar="ANNULARY_BY", help="Who does it, for the books (initials or a role).", metavar="WHO"),
]
