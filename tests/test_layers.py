"""The house's rules about who may import whom, and who may ask the world. Read from the source, never by importing.

Every import statement counts: at the top, inside a function, under TYPE_CHECKING, relative or absolute. Each rule is
shown to be able to fail, on a module made up for it.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path

import attrs
import pytest

PACKAGE = Path(__file__).parents[1] / "caldiff"

RANKS = {
    "caldiff.errors": 0,
    "caldiff.canonical": 0,
    "caldiff.crc": 0,
    "caldiff.storing": 0,
    "caldiff.value": 0,
    "caldiff.image": 1,
    "caldiff.definition": 1,
    "caldiff.ledger": 1,
    "caldiff.table": 2,
    "caldiff.checksum": 2,
    "caldiff.vault": 2,
    "caldiff.diff": 3,
    "caldiff.evidence": 4,
    "caldiff.trace": 4,
    "caldiff.gate": 5,
    "caldiff.render": 6,
    "caldiff.demo": 6,
    "caldiff.cli": 7,
    "caldiff": 8,
    "caldiff.__main__": 8,
}

OWNERS = {  # a library, and the one room that may import it
    "anycrc": "caldiff.crc",
    "bincopy": "caldiff.image",
    "intelhex": "caldiff.image",
    "elftools": "caldiff.image",
    "yaml": "caldiff.definition",
    "ryml": "caldiff.definition",
    "deepdiff": "caldiff.definition",
    "cryptography": "caldiff.ledger",
    "sqlite3": "caldiff.vault",
    "zfec": "caldiff.vault",
    "asammdf": "caldiff.evidence",
    "pint": "caldiff.evidence",
    "argparse": "caldiff.cli",
    "platformdirs": "caldiff.cli",
    "shtab": "caldiff.cli",
}

WORLD = {  # names that read the environment, the command line or a clock
    "os.environ",
    "os.environb",
    "os.getenv",
    "os.getenvb",
    "os.path.expanduser",
    "os.path.expandvars",
    "os.times",
    "pathlib.Path.expanduser",
    "pathlib.Path.home",
    "sys.argv",
    "sys.orig_argv",
    "time",
    "datetime.date.today",
    "datetime.datetime.now",
    "datetime.datetime.today",
    "datetime.datetime.utcnow",
    "numpy.datetime64",
}
WORLD_METHODS = {"expanduser", "utcnow", "today"}  # on whatever object: a path or a date at hand

NO_NUMPY = ("caldiff.definition", "caldiff.ledger", "caldiff.errors", "caldiff.canonical", "caldiff.image.model")
"""Rooms and modules that never import numpy themselves, not even inside a function."""
NO_NUMPY_AT_START = (*NO_NUMPY, "caldiff.table.fit", "caldiff.table.identity", "caldiff.table.opening", "caldiff.cli")
"""Modules that load without numpy: nothing that they import at the top, however far down, brings it."""


@attrs.frozen
class Import:
    """One import: the module it loads, and whether it happens when the importing module loads."""

    target: str
    line: int
    at_load: bool


@attrs.frozen
class Module:
    name: str
    tree: ast.Module
    is_package: bool = False

    @classmethod
    def of(cls, name: str, source: str, *, is_package: bool = False) -> Module:
        return cls(name, ast.parse(source), is_package)

    @property
    def room(self) -> str:
        return ".".join(self.name.split(".")[:2])


def modules_of(package: Path) -> dict[str, Module]:
    found = {}
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package.parent).with_suffix("").parts
        is_package = parts[-1] == "__init__"
        name = ".".join(parts[:-1] if is_package else parts)
        found[name] = Module.of(name, path.read_text(encoding="utf-8"), is_package=is_package)
    return found


def within(name: str, prefix: str) -> bool:
    return name == prefix or name.startswith(prefix + ".")


# ------------------------------------------------------------------------------------------------ reading the imports


@cache
def imports_of(module: Module, known: frozenset[str]) -> tuple[Import, ...]:
    """Every module that the source names for loading; ``known`` tells a submodule from a name inside a module."""
    return tuple(_imports_of(module, known))


def _imports_of(module: Module, known: frozenset[str]) -> Iterator[Import]:
    for node, at_load in _walk(module.tree, at_load=True):
        if isinstance(node, ast.Import):
            yield from (Import(alias.name, node.lineno, at_load) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = _base(module, node)
            for alias in node.names:
                inner = f"{base}.{alias.name}"
                yield Import(inner if inner in known else base, node.lineno, at_load)
        elif isinstance(node, ast.Call) and _called(node) in {"import_module", "__import__"}:
            literal = node.args[0] if node.args else None
            text = literal.value if isinstance(literal, ast.Constant) else None
            yield Import(text if isinstance(text, str) else "?", node.lineno, at_load)


def _walk(node: ast.AST, *, at_load: bool) -> Iterator[tuple[ast.AST, bool]]:
    for child in ast.iter_child_nodes(node):
        deferred = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        deferred |= isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test)
        yield child, at_load
        yield from _walk(child, at_load=at_load and not deferred)


def _base(module: Module, node: ast.ImportFrom) -> str:
    if not node.level:
        return node.module or ""
    up = module.name.split(".")
    kept = up[: len(up) - node.level + module.is_package]
    return ".".join([*kept, node.module] if node.module else kept)


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


# ---------------------------------------------------------------------------------------------------------- the rules

Rule = Callable[[Module, Mapping[str, Module]], Iterator[str]]


def _imports(module: Module, modules: Mapping[str, Module]) -> tuple[Import, ...]:
    return imports_of(module, frozenset(modules))


def every_room_has_a_rank(module: Module, _: Mapping[str, Module]) -> Iterator[str]:
    if module.room not in RANKS:
        yield f"{module.name}: {module.room} has no rank"


def imports_go_down(module: Module, modules: Mapping[str, Module]) -> Iterator[str]:
    for found in _imports(module, modules):
        room = ".".join(found.target.split(".")[:2])
        if not within(found.target, "caldiff") or room in {module.room, "caldiff"}:
            continue
        if room not in RANKS:
            yield f"{module.name}:{found.line}: {room} has no rank"
        elif RANKS[room] >= RANKS.get(module.room, -1):
            way = "sideways" if RANKS[room] == RANKS.get(module.room) else "up"
            yield f"{module.name}:{found.line}: imports {way}, {found.target}"


def nobody_imports_the_front(module: Module, modules: Mapping[str, Module]) -> Iterator[str]:
    """``from caldiff import x`` counts as well: modules import the module that they mean."""
    if module.name == "caldiff":
        return
    for node in ast.walk(module.tree):
        if isinstance(node, ast.ImportFrom) and _base(module, node) == "caldiff":
            yield f"{module.name}:{node.lineno}: imports from the package's front"
    for found in _imports(module, modules):
        if found.target == "caldiff":
            yield f"{module.name}:{found.line}: imports the package's front"


def no_import_by_computed_name(module: Module, modules: Mapping[str, Module]) -> Iterator[str]:
    """Else nobody could read the imports. The front and the commands pick from a table of their own."""
    if module.name == "caldiff" or module.room == "caldiff.cli":
        return
    for found in _imports(module, modules):
        if found.target == "?":
            yield f"{module.name}:{found.line}: imports a module by a computed name"


def libraries_have_one_owner(module: Module, modules: Mapping[str, Module]) -> Iterator[str]:
    for found in _imports(module, modules):
        owner = OWNERS.get(found.target.split(".")[0])
        if owner is not None and owner != module.room:
            yield f"{module.name}:{found.line}: imports {found.target}, which belongs to {owner}"


def numpy_stays_out(module: Module, modules: Mapping[str, Module]) -> Iterator[str]:
    if any(within(module.name, name) for name in NO_NUMPY):
        for found in _imports(module, modules):
            if within(found.target, "numpy"):
                yield f"{module.name}:{found.line}: imports numpy"


def numpy_is_not_loaded_at_start(module: Module, modules: Mapping[str, Module]) -> Iterator[str]:
    starts = [name for name in NO_NUMPY_AT_START if within(module.name, name)]
    if not starts or (module.room == "caldiff.cli" and not module.is_package):
        return
    seen, todo = {module.name}, [(module.name, module.name)]
    while todo:
        name, way = todo.pop()
        for found in _imports(modules[name], modules):
            if found.at_load and within(found.target, "numpy"):
                yield f"{way} -> numpy"
            elif found.at_load and found.target in modules and found.target not in seen:
                seen.add(found.target)
                todo.append((found.target, f"{way} -> {found.target}"))


def only_the_command_line_asks_the_world(module: Module, _: Mapping[str, Module]) -> Iterator[str]:
    if module.room == "caldiff.cli":
        return
    names = _bound_names(module.tree)
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            asked = [alias.name for alias in node.names if alias.name in WORLD]
        elif isinstance(node, ast.ImportFrom):
            asked = [n for a in node.names for n in (node.module or "", f"{node.module}.{a.name}") if n in WORLD]
        elif isinstance(node, ast.Attribute):
            dotted = _dotted(node, names)
            asked = [dotted] if dotted in WORLD or node.attr in WORLD_METHODS else []
        else:
            continue
        yield from (f"{module.name}:{node.lineno}: reads {name}" for name in asked)


def _bound_names(tree: ast.Module) -> dict[str, str]:
    """What each imported name stands for: ``dt`` for ``datetime`` after ``import datetime as dt``."""
    bound: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            bound |= {
                a.asname or a.name.split(".")[0]: a.name if a.asname else a.name.split(".")[0] for a in node.names
            }
        elif isinstance(node, ast.ImportFrom):
            bound |= {a.asname or a.name: f"{node.module}.{a.name}" for a in node.names}
    return bound


def _dotted(node: ast.expr, names: Mapping[str, str]) -> str:
    if isinstance(node, ast.Attribute):
        return f"{_dotted(node.value, names)}.{node.attr}"
    return names.get(node.id, node.id) if isinstance(node, ast.Name) else ""


def rooms_hold_no_code(module: Module, _: Mapping[str, Module]) -> Iterator[str]:
    """A room's ``__init__`` is its docstring; ``caldiff.cli`` may name its entry point besides."""
    if not module.is_package or module.name == "caldiff":
        return
    if ast.get_docstring(module.tree) is None:
        yield f"{module.name}: has no docstring"
    if len(module.tree.body) > 1 and module.name != "caldiff.cli":
        yield f"{module.name}: holds more than a docstring"


RULES: tuple[Rule, ...] = (
    every_room_has_a_rank,
    imports_go_down,
    nobody_imports_the_front,
    no_import_by_computed_name,
    libraries_have_one_owner,
    numpy_stays_out,
    numpy_is_not_loaded_at_start,
    only_the_command_line_asks_the_world,
    rooms_hold_no_code,
)


@pytest.fixture(scope="session")
def house() -> dict[str, Module]:
    return modules_of(PACKAGE)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_the_house_keeps(rule: Rule, house: dict[str, Module]) -> None:
    assert [problem for module in house.values() for problem in rule(module, house)] == []


def test_the_whole_house_is_read(house: dict[str, Module]) -> None:
    assert {"caldiff", "caldiff.errors", "caldiff.image", "caldiff.image.model", "caldiff.cli"} <= set(house)
    assert len(house) == len(list(PACKAGE.rglob("*.py")))


def test_what_is_read_without_numpy_loads_without_it() -> None:
    """The same once more by running it, since reading imports might overlook one."""
    names = [name for name in modules_of(PACKAGE) if any(within(name, start) for start in NO_NUMPY_AT_START[:-1])]
    program = f"import sys, caldiff.cli, {', '.join(names)}; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=60).returncode == 0


# ------------------------------------------------------------------------------------------------ every rule can fail

GOOD = {
    "caldiff": ("import importlib\nimportlib.import_module(name)\nfrom caldiff.cli import main\n", True),
    "caldiff.errors": ("", False),
    "caldiff.image": ('"""Images."""\n', True),
    "caldiff.image.model": ("import sys\nfrom caldiff.errors import CaldiffError\nsys.byteorder\n", False),
    "caldiff.image.reading": ("import bincopy\nfrom .model import Image\ndef f():\n    import numpy\n", False),
    "caldiff.definition": ('"""Definitions."""\n', True),
    "caldiff.definition.model": ("import datetime\ndatetime.date.fromisoformat('2026-01-01')\n", False),
    "caldiff.table": ('"""Tables."""\n', True),
    "caldiff.table.model": ("import numpy as np\nfrom caldiff.definition.model import Axis\n", False),
    "caldiff.table.fit": (
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from caldiff.table.model import Table\n",
        False,
    ),
    "caldiff.diff": ('"""Diff."""\n', True),
    "caldiff.cli": ('"""Commands."""\nfrom caldiff.cli.main import main\n', True),
    "caldiff.cli.main": (
        "import argparse\nimport os\nimport sys\nimport time\nos.environ\nsys.argv\ntime.time()\n",
        False,
    ),
}

BAD = [
    (every_room_has_a_rank, "caldiff.attic.junk", "", "caldiff.attic has no rank"),
    (imports_go_down, "caldiff.image.a", "from caldiff.table.model import Table", "up, caldiff.table.model"),
    (imports_go_down, "caldiff.image.a", "import caldiff.definition.model", "sideways, caldiff.definition.model"),
    (imports_go_down, "caldiff.definition.a", "def f():\n    from caldiff.image import model", "caldiff.image.model"),
    (imports_go_down, "caldiff.image.a", "from ..table.model import Table", "up, caldiff.table.model"),
    (imports_go_down, "caldiff.image.a", "from ..table import model", "up, caldiff.table.model"),
    (imports_go_down, "caldiff.errors", "from caldiff.canonical import Digest", "sideways, caldiff.canonical"),
    (imports_go_down, "caldiff.demo.a", "import caldiff.render.look", "sideways, caldiff.render.look"),
    (
        imports_go_down,
        "caldiff.table.a",
        "from importlib import import_module as m\nm.import_module('caldiff.diff')",
        "up",
    ),
    (
        imports_go_down,
        "caldiff.image.a",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from caldiff.diff.model import Extent",
        "caldiff.image.a:3: imports up, caldiff.diff",
    ),
    (nobody_imports_the_front, "caldiff.cli.a", "import caldiff", "the package's front"),
    (nobody_imports_the_front, "caldiff.cli.a", "from caldiff import errors", "from the package's front"),
    (nobody_imports_the_front, "caldiff.cli.a", "def f():\n    from .. import errors", "from the package's front"),
    (no_import_by_computed_name, "caldiff.table.a", "import importlib\nimportlib.import_module(x)", ":2: imports"),
    (no_import_by_computed_name, "caldiff.table.a", "__import__('a' + 'b')", "computed name"),
    (libraries_have_one_owner, "caldiff.table.a", "import bincopy", "belongs to caldiff.image"),
    (libraries_have_one_owner, "caldiff.cli.a", "def f():\n    from intelhex import IntelHex", "to caldiff.image"),
    (libraries_have_one_owner, "caldiff.cli.a", "from elftools.elf.elffile import ELFFile", "to caldiff.image"),
    (libraries_have_one_owner, "caldiff.image.a", "import yaml", "to caldiff.definition"),
    (libraries_have_one_owner, "caldiff.render.a", "import ryml as r", "to caldiff.definition"),
    (libraries_have_one_owner, "caldiff.diff.a", "from deepdiff import DeepDiff", "to caldiff.definition"),
    (libraries_have_one_owner, "caldiff.demo.a", "import argparse", "to caldiff.cli"),
    (libraries_have_one_owner, "caldiff.definition.a", "from platformdirs import user_cache_path", "to caldiff.cli"),
    (libraries_have_one_owner, "caldiff.render.a", "import shtab", "to caldiff.cli"),
    (numpy_stays_out, "caldiff.ledger.a", "def f():\n    import numpy as np", "caldiff.ledger.a:2: imports numpy"),
    (numpy_stays_out, "caldiff.definition.a", "from numpy.typing import NDArray", "imports numpy"),
    (
        numpy_is_not_loaded_at_start,
        "caldiff.table.fit",
        "from caldiff.table.model import Table",
        "table.model -> numpy",
    ),
    (numpy_is_not_loaded_at_start, "caldiff.table.opening", "class A:\n    import numpy", "opening -> numpy"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "import os\nos.environ['X']", "os.environ"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "from os import getenv", "os.getenv"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "import os as o\no.environ.get('X')", "os.environ"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "import os.path\nos.path.expandvars(x)", "expandvars"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "from sys import argv", "sys.argv"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "import sys\nsys.argv[1]", "sys.argv"),
    (
        only_the_command_line_asks_the_world,
        "caldiff.image.a",
        "def f():\n    import time",
        "caldiff.image.a:2: reads time",
    ),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "from time import monotonic", "reads time"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "import datetime as d\nd.datetime.now()", "datetime.now"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "from datetime import datetime as D\nD.now()", "now"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "x.today()", "today"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "from pathlib import Path\nPath.home()", "Path.home"),
    (only_the_command_line_asks_the_world, "caldiff.image.a", "Path('~').expanduser()", "expanduser"),
    (
        rooms_hold_no_code,
        "caldiff.image",
        '"""Images."""\nfrom caldiff.image.model import Image',
        "more than a docstring",
    ),
    (rooms_hold_no_code, "caldiff.image", "", "no docstring"),
]


def good_house() -> dict[str, Module]:
    return {name: Module.of(name, source, is_package=packed) for name, (source, packed) in GOOD.items()}


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_a_good_house_passes(rule: Rule) -> None:
    modules = good_house()
    assert [problem for module in modules.values() for problem in rule(module, modules)] == []


@pytest.mark.parametrize(("rule", "name", "source", "said"), BAD)
def test_a_bad_module_is_found(rule: Rule, name: str, source: str, said: str) -> None:
    is_package = name == "caldiff.image"
    modules = good_house() | {name: Module.of(name, source, is_package=is_package)}
    problems = list(rule(modules[name], modules))
    assert len(problems) == 1, problems
    assert said in problems[0]


def test_every_rule_has_a_bad_module() -> None:
    assert {rule for rule, *_ in BAD} == set(RULES)
