"""Which file may import which, and that nothing heavy is loaded before it is needed."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
import textwrap
from collections.abc import Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import wakesim
from wakesim import kept
from wakesim.case.studies import STUDY_TABLES

PACKAGE = Path(wakesim.__file__).parent
# Folders and files of the package from the bottom up; a level imports what stands above it here.
LEVELS = (
    {"arrays", "elementary", "errors", "runtime", "progress", "workers"},
    {"folders", "kept", "sweep", "csv_tables", "time_zones"},
    {"constants", "quantities"},
    {"case"},
    {"section"},
    {"vehicle"},
    {"air"},
    {"traffic"},
    {"measures"},
    {"energy"},
    {"results"},
    {"studies"},
    {"outputs"},
    {"run", "records", "validation"},
    {"cli", "cli_claim", "cli_compare", "__init__", "__main__"},
)
HEAVY = ("numpy", "scipy", "numba", "matplotlib", "h5py", "pandas", "xarray")


def module_name(path: Path, package: Path) -> str:
    parts = path.relative_to(package.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported_names(tree: ast.AST, package: str) -> Iterator[str]:
    """Full names imported anywhere: in functions and for the type checker too."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package.split(".")[: len(package.split(".")) - node.level + 1]
            start = ".".join(base) if node.level else ""
            module = ".".join(part for part in (start, node.module) if part)
            yield from (f"{module}.{alias.name}" for alias in node.names)


def imports_of(package: Path) -> dict[str, set[str]]:
    """For each module of a package the modules of it that it imports."""
    paths = {module_name(path, package): path for path in package.rglob("*.py")}
    found: dict[str, set[str]] = {}
    for name, path in paths.items():
        inside = name if path.stem == "__init__" else name.rpartition(".")[0]
        tree = ast.parse(path.read_text(encoding="utf-8"))
        found[name] = set()
        for imported in imported_names(tree, inside):
            while imported and imported not in paths:  # a name that the module holds
                imported = imported.rpartition(".")[0]
            found[name] |= {imported} - {"", name}
    return found


def circle(graph: Mapping[str, set[str]]) -> list[str]:
    """Modules that import each other in a ring, the first again at the end; empty when none do."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def first_name(module: str) -> str:
    """What a module is filed under in LEVELS."""
    return [*module.split("."), "__init__"][1]


def level(module: str) -> int:
    return next(k for k, names in enumerate(LEVELS) if first_name(module) in names)


@pytest.fixture(scope="module")
def graph() -> dict[str, set[str]]:
    return imports_of(PACKAGE)


def test_every_file_has_its_level(graph: dict[str, set[str]]) -> None:
    assert {first_name(module) for module in graph} <= set().union(*LEVELS)


def test_no_files_import_each_other_in_a_circle(graph: dict[str, set[str]]) -> None:
    assert circle(graph) == []


def test_imports_lead_downwards_only(graph: dict[str, set[str]]) -> None:
    assert [
        f"{module} imports {other}"
        for module, others in sorted(graph.items())
        for other in sorted(others)
        if level(other) > level(module)
    ] == []


def test_kept_values_depend_on_no_source_outside_their_key(graph: dict[str, set[str]]) -> None:
    used = {m for m in graph if "wakesim.kept" in graph[m] and first_name(m) not in kept.ABOVE}
    used -= {m for m in used if level(m) == len(LEVELS) - 1}  # the command line
    assert used
    while more := set().union(*(graph[m] for m in used)) - used - {"wakesim"}:
        used |= more
    assert {first_name(m) for m in used}.isdisjoint(kept.ABOVE)


def test_the_scan_catches_circles_wherever_they_hide(tmp_path: Path) -> None:
    package = tmp_path / "house"
    (package / "attic").mkdir(parents=True)
    for name, source in {
        "__init__": "",
        "attic/__init__": "",
        "attic/a": """
            from typing import TYPE_CHECKING
            if TYPE_CHECKING:
                from house.b import B
            def f():
                from . import c
        """,
        "b": "import house.attic.c",
        "attic/c": "from ..d import name, other",
        "d": "import sys, house.attic",
    }.items():
        (package / f"{name}.py").write_text(textwrap.dedent(source))
    found = imports_of(package)
    assert found["house.attic.a"] == {"house.b", "house.attic.c"}
    assert found["house.attic.c"] == {"house.d"}
    assert found["house.d"] == {"house.attic"}
    assert circle(found) == []
    (package / "d.py").write_text("def f():\n    from house.attic.a import f")
    assert {"house.attic.a", "house.attic.c", "house.d"} <= set(circle(imports_of(package)))


def _loaded(code: str, cwd: Path) -> list[str]:
    """Heavy modules loaded after running ``code`` in a fresh interpreter."""
    script = f"import sys\nsys.path.insert(0, {str(PACKAGE.parent)!r})\n{code}\n" + (
        "import json\n"
        f"print(json.dumps([m for m in {HEAVY!r} if m in sys.modules]), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=cwd, capture_output=True, text=True, check=True
    )
    last: list[str] = json.loads(done.stderr.strip().splitlines()[-1])
    return last


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (["--help"], 0),
        (["--version"], 0),
        (["run", "--help"], 0),
        (["validate", "--help"], 0),
        (["vehicles"], 0),
        (["cache"], 0),
        (["new", "post"], 0),
        (["keys"], 0),
        (["keys", "nosuchkey"], 2),
        (["run"], 2),
        (["run", "none.toml"], 2),
        (["run", "bad.toml"], 2),
        (["compare", "--help"], 0),
        (["compare", "bad.toml", "none.csv"], 2),
        (["compare", "good.toml", "none.csv"], 2),
        (["compare", "good.toml", "bad.toml", "--passes", "."], 2),
    ],
)
def test_light_commands_load_nothing_heavy(
    arguments: list[str], status: int, tmp_path: Path
) -> None:
    text = wakesim.runtime.cases_path("expressway-post.toml").read_text(encoding="utf-8")
    bad = text.replace("height_m = 2.0 ", "height = 2.0 ").replace("[0.60, 0.40]", "[0.6]")
    (tmp_path / "bad.toml").write_text(bad, encoding="utf-8")
    (tmp_path / "good.toml").write_text(text, encoding="utf-8")
    code = f"from wakesim.cli import main\nassert main({arguments!r}) == {status}"
    assert _loaded(code, tmp_path) == []


def test_loading_a_case_loads_nothing_heavy(tmp_path: Path) -> None:
    code = (
        "import wakesim\n"
        "from wakesim.runtime import cases_path\n"
        "case = wakesim.load_case(cases_path('expressway-post.toml'))\n"
        "wakesim.vehicle('coach'), wakesim.Vehicle, wakesim.CaseError, wakesim.__version__"
    )
    assert _loaded(code, tmp_path) == []


@pytest.mark.parametrize("name", STUDY_TABLES)
def test_a_study_loads_no_other_and_no_output(name: str, tmp_path: Path) -> None:
    others = {"mounting_map", "lookup_table", "pass_table"} - {name, name.replace("single_", "")}
    code = (
        "from wakesim.studies.registry import find\n"
        f"assert find({name!r}).__name__\n"
        f"unwanted = {sorted(f'wakesim.studies.{other}' for other in others)}\n"
        "unwanted += ['scipy.stats', 'scipy.signal']\n"
        "assert not [module for module in unwanted if module in sys.modules]"
    )
    assert not {"matplotlib", "h5py", "pandas", "xarray"} & set(_loaded(code, tmp_path))


ORDERS = {
    "attribute only": "",
    "module imported before": "import wakesim.run",
    "function imported before": "from wakesim.run import run",
    "module imported by name": "from wakesim import run",
    "module loaded after first use": "wakesim.run\nimport wakesim.run",
}


@pytest.mark.parametrize("order", ORDERS)
def test_run_is_callable_however_it_was_imported(order: str, tmp_path: Path) -> None:
    code = f"""
import wakesim
{ORDERS[order]}
import wakesim.run as module
from wakesim.run import run as function
assert wakesim.run is module is sys.modules["wakesim.run"]
assert module.run is function
module.run = lambda case, progress=None: ("ran", case, progress)
assert wakesim.run(1, progress=2) == ("ran", 1, 2)
assert callable(wakesim.run)
"""
    assert "numba" not in _loaded(code, tmp_path)  # before a study is computed


def test_public_names_are_where_the_package_says() -> None:
    for name in wakesim.__all__:
        assert getattr(wakesim, name) is not None
    assert set(wakesim.__all__) <= set(dir(wakesim))
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        wakesim.nonsense  # noqa: B018
