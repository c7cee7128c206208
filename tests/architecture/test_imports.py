"""Which room imports which, and what every module owes: exact, from the source text."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("lab", "reports", "targets")
MAX_LINES = 500

# What a room may import of our own; the longest name that fits a module decides.
ARROWS = {
    "lab": ("lab", "targets"),
    "lab.cli": ("lab", "reports", "targets"),
    "lab.frames": ("lab.frames", "lab.edges.types", "lab.errors", "targets"),
    "lab.optics": ("lab.optics", "lab.edges.types"),
    "reports": (
        "reports",
        "lab.inference.results",
        "lab.inference.compare_records",
        "lab.inference.trial_records",
        "lab.errors",
    ),
    "targets": ("targets",),
}
# Libraries that take long to load: only the functions that use them import them.
HEAVY = {"gdstk", "matplotlib", "rawpy", "reportlab", "scipy.optimize", "skimage", "zxingcpp"}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    module_name(path): path
    for package in PACKAGES
    for path in sorted((ROOT / package).rglob("*.py"))
}


def imported(name: str, source: str, *, is_package: bool = False) -> Iterator[str]:
    """Every module that a source text imports, wherever in it the import stands."""
    parents = name.split(".")[: None if is_package else -1]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = parents[: len(parents) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            for alias in node.names:
                inner = f"{base}.{alias.name}"
                yield inner if inner in MODULES else base


def imports_of(name: str) -> set[str]:
    path = MODULES[name]
    return set(imported(name, path.read_text("utf-8"), is_package=path.stem == "__init__"))


def inside(name: str, room: str) -> bool:
    return name == room or name.startswith(f"{room}.")


def trespasses(name: str, imports: set[str]) -> set[str]:
    room = max((room for room in ARROWS if inside(name, room)), key=len)
    own = {other for other in imports if other.split(".")[0] in PACKAGES}
    return {
        other
        for other in own
        if not any(inside(other, allowed) for allowed in ARROWS[room])
        or (inside(other, "lab.cli") and room != "lab.cli")
    }


@pytest.mark.parametrize("name", MODULES)
def test_imports_follow_the_arrows(name: str) -> None:
    assert trespasses(name, imports_of(name)) == set()


@pytest.mark.parametrize("name", [name for name in MODULES if inside(name, "lab.optics")])
def test_optics_needs_only_numpy_and_scipy(name: str) -> None:
    outside = {other.split(".")[0] for other in imports_of(name)} - sys.stdlib_module_names
    assert outside <= {"lab", "numpy", "scipy"}


@pytest.mark.parametrize("name", MODULES)
def test_module_is_short_and_says_what_it_offers(name: str) -> None:
    # That it has a docstring is ruff's to check (D100, D104).
    text = MODULES[name].read_text("utf-8")
    tree = ast.parse(text)
    assert len(text.splitlines()) <= MAX_LINES
    statements = tree.body[1:] if ast.get_docstring(tree) else tree.body
    assigned = {
        target.id
        for node in statements
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    assert not statements or "__all__" in assigned  # a package may gather nothing


def test_packages_load_no_heavy_library() -> None:
    # Worker processes alone import it, to have at hand what every frame needs.
    modules = [name for name in MODULES if name != "lab.session.preload"]
    code = "import importlib, sys\nfor name in sys.argv[1:]: importlib.import_module(name)\n"
    run = subprocess.run(
        [sys.executable, "-c", code + "print(*sys.modules)", *modules],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    loaded = set(run.stdout.split())
    assert loaded >= set(modules)
    assert loaded & HEAVY == set()


@pytest.mark.parametrize(
    ("name", "source", "found"),
    [
        ("lab.errors", "import lab.cli.main as m, os", {"lab.cli.main", "os"}),
        ("lab.optics.pupil", "from lab.edges import types", {"lab.edges.types"}),
        ("lab.optics.pupil", "from lab.edges.types import FloatArray", {"lab.edges.types"}),
        ("lab.optics.pupil", "from . import sensor", {"lab.optics.sensor"}),
        ("lab.optics.pupil", "from ..frames.frame import Frame", {"lab.frames.frame"}),
        ("reports.page", "def f():\n    if 1:\n        from targets import Layout", {"targets"}),
    ],
)
def test_every_form_of_import_is_seen(name: str, source: str, found: set[str]) -> None:
    assert set(imported(name, source)) == found


def test_relative_import_of_a_package_starts_at_itself() -> None:
    assert set(imported("lab.optics", "from . import pupil", is_package=True)) == {
        "lab.optics.pupil"
    }


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("targets.chart", "lab.errors"),
        ("targets.chart", "reports"),
        ("lab.session.store", "reports.page"),
        ("lab.session.store", "lab.cli.main"),
        ("lab", "lab.cli"),
        ("reports.page", "lab.cli.main"),
        ("reports.page", "lab.inference.optimum"),
        ("reports.page", "lab"),
        ("reports.page", "targets.layout"),
        ("lab.optics.pupil", "lab.frames.frame"),
        ("lab.optics.pupil", "lab.edges"),
        ("lab.frames.raw", "lab.edges.measure"),
    ],
)
def test_an_import_against_the_arrows_is_caught(name: str, other: str) -> None:
    assert trespasses(name, {other, "numpy"}) == {other}
