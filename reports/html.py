"""The HTML writer: one self-contained page that prints well. No script, no outside address."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import jinja2

from reports.document import Caution, Document, Figure, Headlines, Listing, Paragraph, Table

TEMPLATES = Path(__file__).parent / "templates"
BLOCK_NAMES = {
    Paragraph: "paragraph",
    Headlines: "headlines",
    Table: "table",
    Figure: "figure",
    Caution: "caution",
    Listing: "listing",
}


def html_page(document: Document) -> str:
    """Lay the document out as one HTML page with its style and pictures inside.

    Parameters
    ----------
    document
        The document; every figure needs a text alternative.

    Returns
    -------
    HTML text, the same for the same document.
    """
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["picture"] = picture_address
    environment.tests["cell"] = lambda word: not isinstance(word, str)
    template = environment.get_template("page.html.j2")
    return template.render(document=document, block_name=_block_name)


def _block_name(block: Any) -> str:
    return BLOCK_NAMES[type(block)]


def picture_address(figure: Figure) -> str:
    """Return the figure's SVG as a data address."""
    return "data:image/svg+xml;base64," + base64.b64encode(figure.svg).decode("ascii")
