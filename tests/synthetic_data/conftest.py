from pathlib import Path

import pytest

from synthetic_data.federation import Federation, write_federation


@pytest.fixture(scope="session")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Federation:
    """The demo at a third of its size, without bad cells."""
    return write_federation(tmp_path_factory.mktemp("clean") / "federation", climbers=350, untidy=False)


@pytest.fixture(scope="session")
def untidy(tmp_path_factory: pytest.TempPathFactory) -> Federation:
    """The same with bad cells."""
    return write_federation(tmp_path_factory.mktemp("untidy") / "federation", climbers=350)


def all_files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }


@pytest.fixture(scope="session")
def files_below():
    """Every file below a folder, by its path there."""
    return all_files
