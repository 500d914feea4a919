"""Which module may import which, and that nothing heavy is loaded before it is needed."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

import pytest

import wakesim

PACKAGE = Path(wakesim.__file__).parent
STAGES = [
    "case",
    "section",
    "vehicle",
    "air",
    "traffic",
    "measures",
    "energy",
    "studies",
    "outputs",
]
ABOVE = {"validation", "records"}  # packages that may import anything but the command line
COMMON = {
    "arrays", "constants", "csv_tables", "errors", "folders", "progress", "quantities", "results",
    "runtime", "sweep", "workers",
}  # fmt: skip
SEE_ALL = {"__init__", "__main__", "run", "cli", "cli_claim", "cli_compare"}
HEAVY = ("numpy", "scipy", "numba", "matplotlib", "h5py", "pandas", "xarray")


def _imports(tree: ast.AST, package: str, guarded: bool) -> Iterator[str]:
    """Full names imported anywhere in a module; those under TYPE_CHECKING only if ``guarded``."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test) and not guarded:
            for other in node.orelse:
                yield from _imports(other, package, guarded)
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package.split(".")[: len(package.split(".")) - node.level + 1]
            start = ".".join(base) if node.level else ""
            module = ".".join(part for part in (start, node.module) if part)
            yield from (f"{module}.{alias.name}" for alias in node.names)
        yield from _imports(node, package, guarded)


def _parts_used(path: Path, guarded: bool) -> set[str]:
    """First names below ``wakesim`` that a file imports; "" stands for the package itself."""
    package = ".".join(path.relative_to(PACKAGE.parent).parent.parts)
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = [name.split(".") for name in _imports(tree, package, guarded)]
    below = {path.stem for path in PACKAGE.glob("*.py")} | {p.name for p in PACKAGE.iterdir()}
    return {
        name[1] if len(name) > 1 and name[1] in below else ""
        for name in names
        if name[0] == "wakesim"
    }


MODULES = sorted(PACKAGE.rglob("*.py"))


def test_the_scan_sees_every_stage_that_exists() -> None:
    folders = {path.parent.name for path in PACKAGE.glob("*/*.py")}
    assert folders <= {*STAGES, *ABOVE}
    assert {"case", "vehicle", "air", "traffic", "measures", "outputs"} <= folders


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_stage_imports_only_earlier_stages(path: Path) -> None:
    first = path.relative_to(PACKAGE).parts[0]
    if first in STAGES:
        allowed = {*STAGES[: STAGES.index(first) + 1], *COMMON}
        assert _parts_used(path, guarded=True) <= allowed
    elif first in ABOVE:
        assert not _parts_used(path, guarded=True) & {"cli", "__main__"}
    elif path.stem == "results":
        # Types of the stages for the checker.
        assert _parts_used(path, guarded=True) <= {"arrays", "case", "measures", "energy"}
        assert not _parts_used(path, guarded=False)
    elif path.stem in COMMON:
        assert _parts_used(path, guarded=True) <= COMMON
    else:
        assert path.stem in SEE_ALL


def test_the_rule_catches_a_violation(tmp_path: Path) -> None:
    source = """
        from __future__ import annotations
        from typing import TYPE_CHECKING
        import wakesim.vehicle.hull
        if TYPE_CHECKING:
            from wakesim.outputs import check_target
        def f():
            from ..traffic import stream
            from wakesim import run
    """
    tree = ast.parse(textwrap.dedent(source))
    found = set(_imports(tree, "wakesim.case", guarded=True))
    assert {
        "wakesim.vehicle.hull",
        "wakesim.outputs.check_target",
        "wakesim.traffic.stream",
        "wakesim.run",
    } <= found
    assert "wakesim.outputs.check_target" not in set(_imports(tree, "wakesim.case", guarded=False))


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


def test_every_public_name_exists() -> None:
    for name in wakesim.__all__:
        assert getattr(wakesim, name) is not None
    assert set(wakesim.__all__) <= set(dir(wakesim))
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        wakesim.nonsense  # noqa: B018
