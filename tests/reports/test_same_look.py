"""``annulary alike`` as it is typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from annulary import application


@pytest.fixture
def said(clean_registry: Path):  # type: ignore[no-untyped-def]
    def say(*words: str):  # type: ignore[no-untyped-def]
        return CliRunner().invoke(application(), ["alike", "--registry", str(clean_registry), *words])

    return say


def test_counts_are_shown_and_combinations_only_on_request(said) -> None:  # type: ignore[no-untyped-def]
    shown = said("--by", "sex,digit")
    assert shown.exit_code == 0
    assert "Climbers who look alike in sex, finger" in shown.stdout
    assert "INTERNAL" not in shown.stdout
    assert "small cells must be suppressed" in shown.stderr
    listed = said("--by", "sex,digit", "--show-cells")
    assert "INTERNAL: the combinations" in listed.stdout
    assert "do not pass them on" in listed.stderr


def test_programs_get_json_and_csv(said) -> None:  # type: ignore[no-untyped-def]
    body = json.loads(said("--json", "--by", "sex").stdout)
    assert (body["k"], body["climbers"], body["l_diversity"]) == (1, 3, 1)
    assert body["cells"] == []
    assert body["helps"][0]["change"] == "none"
    assert said("--csv").stdout.splitlines()[0] == "below,groups,climbers,share_of_climbers,cases"
    assert said("--csv", "--json").exception is not None
