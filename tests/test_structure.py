"""The promises of the tree: which way imports run, what a folder's face holds, and what stays out."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FLOORS = {"registry": 0, "synthetic_data": 1, "analysis": 1, "reports": 2, "annulary": 3}
MAY_IMPORT = {
    "registry": {"registry"},
    "analysis": {"analysis", "registry"},
    "reports": {"reports", "analysis", "registry"},
    "synthetic_data": {"synthetic_data", "registry"},
    "annulary": {"annulary", "reports", "analysis", "registry", "synthetic_data"},
}
SOURCES = sorted(
    path for room in FLOORS for path in ([ROOT / f"{room}.py"] if room == "annulary" else (ROOT / room).rglob("*.py"))
)


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(path: Path) -> set[str]:
    """All modules that a file imports, inside functions and under TYPE_CHECKING included."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the direction"
            names.add(node.module or "")
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", SOURCES, ids=module_name)
def test_imports_run_one_way(path: Path) -> None:
    room = module_name(path).split(".")[0]
    upward = {name for name in imported(path) if name.split(".")[0] in FLOORS} - {
        name for name in imported(path) if name.split(".")[0] in MAY_IMPORT[room]
    }
    assert not upward, f"{module_name(path)} imports upward: {sorted(upward)}"


def test_no_two_files_import_each_other() -> None:
    known = {module_name(path): path for path in SOURCES}
    edges = {name: {other for other in imported(path) if other in known} for name, path in known.items()}
    faces = {name for name in known if known[name].name == "__init__.py"}
    mutual = {
        (one, other)
        for one, targets in edges.items()
        for other in targets
        if one in edges[other] and one < other and not {one, other} & faces
    }
    assert not mutual


@pytest.mark.parametrize(
    ("library", "rooms", "files"),
    [("duckdb", {"registry"}, 99), ("lifelines", {"analysis"}, 2), ("statsmodels", {"analysis"}, 3)],
)
def test_a_library_is_imported_where_it_belongs(library: str, rooms: set[str], files: int) -> None:
    users = [
        path
        for path in SOURCES
        if any(name.split(".")[0] == library for name in imported(path)) and not only_for_types(path, library)
    ]
    assert {module_name(path).split(".")[0] for path in users} <= rooms
    assert len(users) <= files


def only_for_types(path: Path, library: str) -> bool:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    guarded = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
    }
    return not any(
        id(node) not in guarded
        for node in ast.walk(tree)
        if (isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == library)
        or (isinstance(node, ast.Import) and any(alias.name.split(".")[0] == library for alias in node.names))
    )


@pytest.mark.parametrize("name", ["pandas", "statsmodels", "lifelines", "matplotlib", "duckdb", "narwhals"])
def test_help_loads_nothing_heavy(name: str) -> None:
    code = (
        "import sys, annulary\n"
        "try:\n    annulary.application()(['--help'])\n"
        "except SystemExit:\n    pass\n"
        f"sys.exit({name!r} in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, cwd=ROOT, check=False)
    assert run.returncode == 0, run.stderr.decode()
    assert b"intake" in run.stdout


@pytest.mark.parametrize("room", ["registry", "analysis", "reports", "synthetic_data", "annulary"])
def test_every_public_name_exists_and_is_documented(room: str) -> None:
    module = __import__(room)
    for name in module.__all__:
        assert getattr(getattr(module, name), "__doc__", None), f"{room}.{name} has no docstring"
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        module.nonsense  # noqa: B018


@pytest.mark.parametrize("room", ["registry", "analysis", "reports", "synthetic_data"])
def test_no_public_name_is_hidden_by_a_file_of_that_name(room: str) -> None:
    """Importing ``room.x`` binds x on the package, so a function called x would vanish behind it."""
    inside = {path.stem for path in (ROOT / room).iterdir()}
    assert not inside & set(__import__(room).__all__)


def test_no_file_reads_what_lies_outside_the_clone() -> None:
    for path in [*SOURCES, *(ROOT / "tests").rglob("*.py"), *(ROOT / "benchmarks").rglob("*.py")]:
        if path != Path(__file__).resolve():
            assert not re.search(r"\.\./shared|/shared/", path.read_text(encoding="utf-8")), path


def test_developers_guide_names_every_file() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    missing = [path.name for path in SOURCES if path.name != "__init__.py" and path.name not in guide]
    assert not missing


def test_every_module_says_what_it_is() -> None:
    silent = [module_name(path) for path in SOURCES if not ast.get_docstring(ast.parse(path.read_text("utf-8")))]
    assert not silent


def test_the_top_level_is_what_it_is_meant_to_be() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout
    if not listed:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.splitlines()}
    assert top == {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "registry", "analysis", "reports", "synthetic_data", "tests",
        "annulary.py", "benchmarks", ".ci", ".gitignore",
    }  # fmt: skip
