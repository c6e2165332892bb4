import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from registry.errors import OptionError
from synthetic_data.commands import federation

application = typer.Typer()
application.command()(federation)


def test_it_writes_and_says_what_to_do_next(tmp_path: Path) -> None:
    result = CliRunner().invoke(
        application, [str(tmp_path / "new"), "--climbers", "20", "--seasons", "1", "--no-untidy"]
    )
    assert result.exit_code == 0
    assert result.stdout.startswith("orvendal (squad): 1 sites, ")
    assert result.stderr.splitlines()[-1].startswith("Next: annulary intake ")
    assert (tmp_path / "new" / "thessaby" / "sheet.csv").exists()


def test_a_folder_in_use_is_an_error_with_its_mend(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("kept")
    result = CliRunner().invoke(application, [str(tmp_path)])
    assert isinstance(result.exception, OptionError)
    with pytest.raises(OptionError, match="not empty"):
        raise result.exception


def test_the_command_loads_no_numerics_before_it_runs() -> None:
    code = (
        "import sys, synthetic_data.commands; "
        "print([name for name in ('numpy', 'pandas', 'duckdb', 'synthetic_data.federation') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
