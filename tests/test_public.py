from __future__ import annotations

import ast
import importlib
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import caldiff


@pytest.mark.parametrize("name", caldiff.__all__)
def test_every_public_name_is_there_and_described(name: str) -> None:
    value = getattr(caldiff, name)
    assert name == "__version__" or inspect.getdoc(value)


def test_the_list_is_the_table() -> None:
    assert set(caldiff.__all__) == {"__version__", *caldiff._ROOMS}


def test_type_checkers_see_the_same_names() -> None:
    tree = ast.parse(Path(inspect.getfile(caldiff)).read_text(encoding="utf-8"))
    guarded = next(node for node in tree.body if isinstance(node, ast.If))
    seen = {
        alias.asname: (node.module, alias.name)
        for node in guarded.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert sorted(name for name in seen if name) == sorted(set(caldiff.__all__) - {"__version__"})
    for name, (module, attribute) in seen.items():
        assert getattr(caldiff, str(name)) is getattr(importlib.import_module(str(module)), attribute)


def test_importing_costs_no_array_library() -> None:
    code = "import caldiff, sys; raise SystemExit('numpy' in sys.modules or 'attrs' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'opne'"):
        caldiff.opne  # noqa: B018 - asking is the test
