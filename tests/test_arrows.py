"""The arrows between packages, and the purity of the verifier, read from the source."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ALLOWED = {
    "models": {"models"},
    "verifier": {"verifier", "models"},
    "api": {"api", "verifier", "models"},
    "demo_photos": {"demo_photos", "verifier", "models"},
}
SOURCES = sorted(p for package in ALLOWED for p in (ROOT / package).rglob("*.py"))


def imported_modules(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        if isinstance(node, ast.ImportFrom):
            above = path.relative_to(ROOT).parts[: -node.level] if node.level else ()
            found.add(".".join((*above, *([node.module] if node.module else []))))
    return found


def test_there_are_sources_to_read() -> None:
    assert {p.relative_to(ROOT).parts[0] for p in SOURCES} == set(ALLOWED)


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_follow_the_arrows(path: Path) -> None:
    package = path.relative_to(ROOT).parts[0]
    ours = {name.split(".")[0] for name in imported_modules(path)} & (set(ALLOWED) | {"tests"})
    assert ours <= ALLOWED[package]


@pytest.mark.parametrize("path", [p for p in SOURCES if "models" in p.parts], ids=lambda p: p.name)
def test_models_know_no_pixels(path: Path) -> None:
    heavy = {name.split(".")[0] for name in imported_modules(path)} & {"cv2", "numpy", "scipy", "skimage", "PIL"}
    assert not heavy


FORBIDDEN_CALLS = {"open", "input", "print", "exec", "eval"}
FORBIDDEN_MODULES = {"os", "pathlib", "shutil", "tempfile", "socket", "subprocess", "time", "sys", "urllib", "glob"}


@pytest.mark.parametrize("path", [p for p in SOURCES if "verifier" in p.parts], ids=lambda p: p.name)
def test_the_verifier_opens_nothing_and_reads_no_clock(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = {n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    assert not calls & FORBIDDEN_CALLS
    assert not {name.split(".")[0] for name in imported_modules(path)} & FORBIDDEN_MODULES
    attributes = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
    assert not attributes & {"now", "utcnow", "today", "imread", "imwrite", "tofile", "fromfile", "savetxt"}


def test_modules_import_without_a_cycle() -> None:
    """Within a package too: a module that needs the one that needs it is two halves of one thought."""
    graph = {_module(p): {m for m in imported_modules(p) if m.split(".")[0] in ALLOWED} for p in SOURCES}
    done: set[str] = set()
    for module in graph:
        _visit(module, graph, (), done)


def _module(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def _visit(module: str, graph: dict[str, set[str]], trail: tuple[str, ...], done: set[str]) -> None:
    assert module not in trail, " -> ".join((*trail, module))
    if module in done or module not in graph:
        return
    for other in graph[module]:
        _visit(other, graph, (*trail, module), done)
    done.add(module)
