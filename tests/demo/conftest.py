from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from caldiff.definition.catalogue import load_definition
from caldiff.definition.definition import Definition
from caldiff.demo.scenario import demo_files
from caldiff.demo.story import Story, tell

SHIPPED = Path(__file__).parents[2] / "definitions"


@pytest.fixture(scope="session")
def old() -> Definition:
    return load_definition(SHIPPED / "wren4-2.10.yaml")


@pytest.fixture(scope="session")
def new() -> Definition:
    return load_definition(SHIPPED / "wren4-2.30.yaml")


@pytest.fixture(scope="session")
def story(old: Definition, new: Definition) -> Story:
    return tell(old, new)


@pytest.fixture(scope="session")
def files() -> Mapping[str, bytes]:
    return demo_files()
