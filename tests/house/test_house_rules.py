"""The import rules of the house: data flows one way, imports stand at the top, the simulator shares nothing."""

import ast
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
STAGES = ["frame", "sweep", "tone", "film", "light", "camera", "ground", "products", "run", "bench", "cli"]
RUN = [  # a frame's way through `calib.run`; then the jobs that are built upon it
    "arguments",
    "progress",
    "settings",
    "sunlight",
    "preflight",
    "out_folder",
    "fitting",
    "rasters",
    "report",
    "frame_job",
    "steps",
    "demo",
    "tie",
    "image",
    "batch",
]
VOCABULARY = {
    "c_library",
    "chain",
    "compiled",
    "coordinates",
    "definite",
    "errors",
    "folder_lock",
    "lattice",
    "median",
    "moon",
    "ordered",
    "published",
    "quality",
    "remembered",
}
ESTIMATE = {"sweep.estimate", "sweep.first_look", "tone.estimate", "camera.resection"}
MODULES = sorted((ROOT / "calib").rglob("*.py"))


def imported(path: Path) -> list[tuple[str, ast.stmt]]:
    return imported_in(ast.parse(path.read_text(encoding="utf-8")), path)


def imported_in(tree: ast.Module, path: Path) -> list[tuple[str, ast.stmt]]:
    found: list[tuple[str, ast.stmt]] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(alias.name, node) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found += [(f"{node.module}.{alias.name}", node) for alias in node.names]
    return found


def inside(name: str) -> str | None:
    return name.removeprefix("calib.") if name.startswith("calib.") else None


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT / "calib").with_suffix("").parts)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_stage_imports_only_the_vocabulary_and_earlier_stages(path: Path) -> None:
    own = name_of(path).split(".")[0]
    for name, _ in imported(path):
        target = inside(name)
        if target is None:
            continue
        stage = target.split(".")[0]
        if own in VOCABULARY or own == "__init__":
            assert stage in VOCABULARY, f"the vocabulary imports {name}"
        elif stage != own and stage not in VOCABULARY:
            assert STAGES.index(stage) < STAGES.index(own), f"{own} imports the later stage {name}"


@pytest.mark.parametrize("path", sorted((ROOT / "calib/run").rglob("[!_]*.py")), ids=name_of)
def test_a_part_of_the_run_imports_only_earlier_ones(path: Path) -> None:
    own = name_of(path).split(".")[1]
    for name, _ in imported(path):
        target = inside(name)
        if target is not None and target.startswith("run."):
            part = target.split(".")[1]
            assert RUN.index(part) <= RUN.index(own), f"{own} imports {name}"


def test_what_is_installed_holds_every_package() -> None:
    """A folder that pyproject.toml does not list is found in a working tree, and missing where calib is installed."""
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    folders = {".".join(path.parent.relative_to(ROOT).parts) for path in MODULES}
    assert folders == {name for name in listed if name.split(".")[0] == "calib"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_only_run_joins_estimates(path: Path) -> None:
    own = name_of(path).split(".")[0]
    for name, _ in imported(path):
        target = inside(name)
        if target is not None and any(target.startswith(e) for e in ESTIMATE):
            assert own in {target.split(".")[0], "run", "bench"}, f"{own} imports the estimate function {name}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_stand_at_the_top(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    top = {id(node) for node in tree.body}
    for node in tree.body:  # a branch that only a type checker or another Python takes still stands at the top
        if isinstance(node, ast.If):
            top |= {id(child) for child in [*node.body, *node.orelse]}
    late = [ast.unparse(node) for _, node in imported_in(tree, path) if id(node) not in top]
    assert not late, f"{path}: {late}"


@pytest.mark.parametrize("path", sorted((ROOT / "demo").glob("*.py")), ids=lambda p: p.stem)
def test_the_simulator_shares_no_code_with_the_estimator(path: Path) -> None:
    assert not [name for name, _ in imported(path) if name.split(".")[0] == "calib"]


def test_no_attic() -> None:
    """A module named after nothing collects everything."""
    assert not {path.stem for path in MODULES} & {"utils", "helpers", "common", "misc"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_compiled_code_comes_from_where_its_cache_is_locked(path: Path) -> None:
    """Two processes that compile at once without the lock can be handed each other's code."""
    names = {name for name, _ in imported(path)}
    assert path.name == "compiled.py" or not names & {"numba", "numba.njit", "numba.jit"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_compiled_functions_stand_at_the_top(path: Path) -> None:
    """One made within another function is not found in the cache again if it calls compiled code."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nested = [
        inner.name
        for outer in ast.walk(tree)
        if isinstance(outer, ast.FunctionDef)
        for inner in ast.walk(outer)
        if inner is not outer
        and isinstance(inner, ast.FunctionDef)
        and any("njit" in ast.unparse(by) or "bare" in ast.unparse(by) for by in inner.decorator_list)
    ]
    assert nested == []
