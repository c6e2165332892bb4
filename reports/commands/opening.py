"""What every reporting command asks for: the data, named on the command line, and the form of its output."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from registry.store.view import View

Registry = Annotated[
    Path | None, typer.Option("--registry", envvar="ANNULARY_REGISTRY", help="The registry file.", show_default=False)
]
Freeze = Annotated[
    Path | None, typer.Option("--freeze", help="A freeze's folder, instead of a registry.", show_default=False)
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON, unrounded, for programs.")]
AsCsv = Annotated[bool, typer.Option("--csv", help="Print CSV, unrounded, for programs.")]


@contextmanager
def opened(registry: Path | None, freeze: Path | None) -> Iterator[View]:
    """Open what was named; a freeze named on the command line wins over a registry named by the environment."""
    import os

    from registry import open_freeze, open_registry
    from registry.errors import OptionError

    if freeze is not None and registry is not None and str(registry) != os.environ.get("ANNULARY_REGISTRY"):
        raise OptionError("name either --registry FILE or --freeze DIR, not both.")
    if freeze is not None:
        with open_freeze(freeze) as view:
            yield view
        return
    if registry is None:
        raise OptionError(
            "name the data: --registry FILE (or set ANNULARY_REGISTRY), or --freeze DIR. 'annulary tour' makes both."
        )
    with open_registry(registry) as view:
        yield view
