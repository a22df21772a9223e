"""The shape of the code: imports point downwards, files stay short, start-up stays light."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "phenofit"

# From the top down; rooms on one line are neighbours and do not import each other.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("__main__",),
    ("cli",),
    ("run",),
    ("report", "field"),
    ("analysis",),
    ("starting",),
    ("study",),
    ("plan",),
    ("simulate",),
    ("plots",),
    ("maps",),
    ("validate",),
    ("forecasting",),
    ("wording",),
    ("flight",),
    ("records",),
    ("traps", "weather"),
    ("heat",),
    ("output_folder",),
    ("files",),
    ("seasons", "units", "globe", "cluster"),
    ("errors", "progress", "deferred"),
)
LEVEL = {room: len(LAYERS) - i for i, rooms in enumerate(LAYERS) for room in rooms}
HARD_LIMIT = 500
AIM = 400
ALLOWED_TOP = {
    "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml",
    "phenofit", "notebooks", "tests", "datasets", "reports",
}  # fmt: skip
# Drawing and the optional or slow packages: never pulled in by `import phenofit` or by the help.
HEAVY = ("matplotlib", "numba", "pandas", "xarray", "scipy", "meteostat", "statsmodels", "pydantic", "dask")


def _modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def _room(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


def _is_type_checking(test: ast.expr) -> bool:
    return "TYPE_CHECKING" in ast.dump(test)


def _imports(tree: ast.AST) -> list[str]:
    """Dotted phenofit modules that a file imports at run time, inside functions too."""
    found: list[str] = []
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and _is_type_checking(node.test):
            found += [name for branch in node.orelse for name in _imports(branch)]
            continue
        if isinstance(node, ast.Import):
            found += [a.name for a in node.names if a.name.split(".")[0] == "phenofit"]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"relative import on line {node.lineno}; write the whole name"
            module = node.module or ""
            if module == "phenofit":
                found += [f"phenofit.{a.name}" for a in node.names]
            elif module.startswith("phenofit."):
                found.append(module)
        found += _imports(node)
    return found


def _module_name(path: Path) -> str:
    parts = list(path.relative_to(ROOT).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def test_imports_point_downwards() -> None:
    wrong = []
    for path in _modules():
        room, imported = _room(path), _imports(_tree(path))
        if room == "__init__":  # the door: it names every room, and imports one only when asked
            assert set(imported) <= {"phenofit.files"}
            continue
        for place in (room, *(name.split(".")[1] for name in imported)):
            assert place in LEVEL, f"{path}: '{place}' has no place in the layers; see DEVELOPERS.md"
        wrong += [
            (path.relative_to(PACKAGE).as_posix(), name)
            for name in imported
            if name.split(".")[1] != room and LEVEL[name.split(".")[1]] >= LEVEL[room]
        ]
    assert not wrong, f"imports upwards or sideways: {wrong}"


def test_no_import_cycles() -> None:
    # Only imports at module top count here: one inside a function runs when both modules are ready.
    graph: dict[str, set[str]] = {}
    names = {_module_name(p) for p in _modules()}
    for path in _modules():
        tree = _tree(path)
        wanted: set[str] = set()
        for node in tree.body:
            if isinstance(node, ast.Import):
                wanted |= {a.name for a in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                wanted.add(node.module)
                wanted |= {f"{node.module}.{a.name}" for a in node.names}
        graph[_module_name(path)] = (wanted & names) - {"phenofit", _module_name(path)}
    cycle = _find_cycle(graph)
    assert cycle is None, " -> ".join(cycle or [])


def _find_cycle(graph: dict[str, set[str]]) -> list[str] | None:
    done: set[str] = set()

    def walk(node: str, trail: list[str]) -> list[str] | None:
        if node in trail:
            return [*trail[trail.index(node) :], node]
        if node in done:
            return None
        for following in sorted(graph.get(node, ())):
            found = walk(following, [*trail, node])
            if found:
                return found
        done.add(node)
        return None

    for start in sorted(graph):
        found = walk(start, [])
        if found:
            return found
    return None


def test_the_cycle_finder_finds_one() -> None:
    assert _find_cycle({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == ["b", "c", "b"]
    assert _find_cycle({"a": {"b", "c"}, "b": {"c"}, "c": set()}) is None


def test_files_stay_short() -> None:
    files = [*_modules(), *(ROOT / "tests").rglob("*.py")]
    lines = {path.relative_to(ROOT).as_posix(): len(path.read_text("utf-8").splitlines()) for path in files}
    long = {name: count for name, count in lines.items() if count > HARD_LIMIT}
    assert not long, f"lines: {long}; split them by idea (aim at {AIM} or fewer)"


@pytest.mark.parametrize(
    "path",
    [p for p in _modules() if p.name == "__init__.py" and p.parent != PACKAGE],
    ids=lambda p: p.parent.name,
)
def test_rooms_open_with_imports_only(path: Path) -> None:
    for node in _tree(path).body:
        doc = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        exports = isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
        assert doc or exports or isinstance(node, ast.Import | ast.ImportFrom), ast.unparse(node)


MOST_MODULES = 15
MOST_PARAMETERS = 10
SHORTEST = 40
# Modules below that length, and why they stand alone.
SHORT = {
    "bundled": "the one place that knows where data sets are installed",
    "cautions": "is on every page and in every file that gives dates",
    "deferred": "one way to import a large package late",
    "events": "the names of events, for rooms that know nothing of forecasts",
    "filled": "one rule, used by two kinds of sums",
    "globe": "one formula, used by three rooms",
    "jackknife": "one formula, used by rules and their tests",
    "labels": "one function, used by daily, hourly and gridded sums",
    "missing_codes": "one rule, used by three readers and by the questions of a first study",
    "night_weather": "one formula, used by fits and by their checks",
    "progress": "one type for every room",
    "single_thread": "optional package behind one door",
    "studies": "what all commands on a study do first",
    "templates": "one way to fill a template, escaped",
    "screen_tables": "aligned columns, used by several commands",
    "threads": "one function, used by every kernel on arrays",
}


@pytest.mark.parametrize(
    "folder", sorted({p.parent for p in _modules()}), ids=lambda p: str(p.relative_to(ROOT))
)
def test_no_folder_is_crowded(folder: Path) -> None:
    modules = [p for p in folder.glob("*.py") if not p.name.startswith("__")]
    assert len(modules) <= MOST_MODULES


def test_modules_are_not_tiny_without_a_reason() -> None:
    tiny = {
        p.stem
        for p in _modules()
        if not p.name.startswith("__") and len(p.read_text("utf-8").splitlines()) < SHORTEST
    }
    assert tiny <= SHORT.keys()


def test_every_module_has_a_name_of_its_own() -> None:
    # A command may bear the name of what it starts.
    stems = [p.stem for p in _modules() if not p.name.startswith("__") and p.parent.parent.name != "cli"]
    assert sorted(stems) == sorted(set(stems))


# Where a signature says dict[str, Any], and why.
UNTYPED = {
    "cli/commands/heat.py": "keywords of degree_days, the same for arrays, tables and grids",
    "maps/drawing/interactive.py": "JSON for the script of the page",
    "study/load.py": "TOML before it is checked",
    "study/study_file.py": "keys of [flights] that are made from FlightModel",
    "field/page_document.py": "the JSON document of the field page",
    "weather/service/fetched.py": "columns of the fetch report",
}


def _functions(tree: ast.AST) -> list[ast.FunctionDef]:
    return [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]


def _arguments(function: ast.FunctionDef) -> list[ast.arg]:
    given = function.args
    stars = [arg for arg in (given.vararg, given.kwarg) if arg is not None]
    return [*given.posonlyargs, *given.args, *given.kwonlyargs, *stars]


def _exported() -> list[tuple[str, ast.FunctionDef]]:
    """Functions, and methods of classes, that a room offers."""
    found = []
    for init in PACKAGE.rglob("__init__.py"):
        for node in ast.walk(_tree(init)):
            path = ROOT / f"{(getattr(node, 'module', None) or '').replace('.', '/')}.py"
            if not isinstance(node, ast.ImportFrom) or not path.is_file():
                continue
            names = {alias.name for alias in node.names}
            for item in _tree(path).body:
                if isinstance(item, ast.FunctionDef | ast.ClassDef) and item.name in names:
                    found += [(f"{item.name}.{f.name}", f) for f in _functions(item)]
    return found


def test_public_functions_take_few_parameters_and_no_open_options() -> None:
    functions = _exported()
    assert len(functions) > 200
    crowded = {
        name: len(arguments)
        for name, function in functions
        if len(arguments := [a for a in _arguments(function) if a.arg not in ("self", "cls")])
        > MOST_PARAMETERS
    }
    assert not crowded
    assert not [name for name, function in functions if function.args.kwarg is not None and name[0] != "_"]


def test_no_two_modules_know_each_other() -> None:
    # Imports for type checking and inside functions count here too.
    known: dict[str, set[str]] = {}
    for path in _modules():
        found: set[str] = set()
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.ImportFrom) and node.module:
                found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        known[_module_name(path)] = found
    pairs = [(a, b) for a, names in known.items() for b in names & known.keys() if a < b and a in known[b]]
    rooms = {_module_name(p) for p in _modules() if p.name == "__init__.py"}
    assert not [pair for pair in pairs if not rooms.intersection(pair)]


def test_untyped_dictionaries_are_few_in_signatures() -> None:
    found = []
    for path in _modules():
        for function in _functions(_tree(path)):
            kinds = [a.annotation for a in _arguments(function)] + [function.returns]
            words = " ".join(ast.unparse(kind) for kind in kinds if kind is not None)
            if "dict[str, Any]" in words:
                found.append((path.relative_to(PACKAGE).as_posix(), function.name))
    assert len(found) < 20, found
    assert {path for path, _ in found} == UNTYPED.keys()


def test_drawing_is_imported_by_drawing_modules_only() -> None:
    drawn = [
        (path.relative_to(PACKAGE).as_posix(), ast.unparse(node))
        for path in _modules()
        if _room(path) not in {"report", "plots", "maps"}
        for node in _tree(path).body
        if isinstance(node, ast.Import | ast.ImportFrom) and "matplotlib" in ast.unparse(node)
    ]
    assert not drawn


def _loaded(code: str) -> set[str]:
    script = f"{code}\nimport sys; print('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_import_is_light() -> None:
    assert not _loaded("import phenofit").intersection(HEAVY)


def test_a_heat_sum_of_numbers_needs_no_tables_and_no_statistics() -> None:
    # scipy itself and its linear algebra are imported by numba, which loads the compiled sum.
    loaded = _loaded("import phenofit; assert phenofit.degree_days([10.0], [20.0], base=10.0)[0] == 5.0")
    assert not loaded.intersection({*HEAVY, "scipy.stats", "scipy.optimize"} - {"numba", "scipy"})


def test_help_is_light() -> None:
    code = "import io, contextlib, phenofit.cli\nwith contextlib.redirect_stdout(io.StringIO()): phenofit.cli.main(['--help'])"
    assert not _loaded(code).intersection(HEAVY)


def test_top_level_holds_what_it_should() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout: the top level is not checked here")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    extra = {name for name in top if not name.startswith(".")} - ALLOWED_TOP
    assert not extra
