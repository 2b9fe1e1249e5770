"""What the rooms of the core may know, and what they start without."""

import ast
import pkgutil
import subprocess
import sys
from pathlib import Path

import pytest

import fenceguard.judgement


def imported(package: str) -> set[str]:
    """All that the modules of a package import, wherever in them."""
    directory = Path(fenceguard.__file__).parent / package
    names: set[str] = set()
    for file in directory.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Import):
                names |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0
                names.add(str(node.module))
    return names


def test_the_judgement_knows_no_port_clock_file_or_output() -> None:
    outside = {
        name for name in imported("judgement") if not name.startswith("fenceguard.judgement")
    }
    assert outside == {
        "math",
        "bisect",
        "statistics",
        "collections",
        "enum",
        "typing",
        "collections.abc",
        "fenceguard.lawn.fence",
        "fenceguard.lawn.surface",
        "fenceguard.mower.clearances",
        "fenceguard.mower.footprint",
        "fenceguard.mower.path",
        "fenceguard.mower.stopping",
        "fenceguard.receiver.epoch",
    }


def test_lawn_and_mower_know_nothing_of_rungs() -> None:
    for package in ("lawn", "mower"):
        assert not [name for name in imported(package) if "judgement" in name]


@pytest.mark.parametrize("room", ["judgement", "lawn", "mower", "receiver"])
def test_the_core_knows_nothing_of_settings(room: str) -> None:
    """Not for types either."""
    assert not [name for name in imported(room) if name.startswith("fenceguard.settings")]


HEAVY = {"belief", "supervisor"}
"""They know the lawn."""
LIGHT = sorted({name for _, name, _ in pkgutil.iter_modules(fenceguard.judgement.__path__)} - HEAVY)


@pytest.mark.parametrize("module", LIGHT)
def test_what_the_audit_needs_of_the_judgement_starts_without_heavy_libraries(module: str) -> None:
    heavy = ("numpy", "shapely", "pydantic", "yaml", "pymap3d", "pynmea2")
    code = f"import sys, fenceguard.judgement.{module}; print(*(set(sys.modules) & set({heavy})))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
