"""Where definitions are found, and a cache that is never wrong and never in the way."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from caldiff.definition import loader
from caldiff.definition.catalogue import Catalogue, definition_from_text, load_definition, shipped_folder
from caldiff.definition.compiled import compile_normal
from caldiff.definition.definition import Definition
from caldiff.definition.normal import normal_of
from caldiff.errors import DefinitionError, DefinitionMissingError, FileError

FAMILY = """
definition: 1
name: wren
scalings:
  half: {unit: "%", factor: 1/2}
tables:
  idle: {type: u8, scaling: half}
"""
VERSION = """
definition: 1
name: wren-1
extends: wren
image: {start: 0, size: 4 KiB, byte_order: big}
tables:
  idle: {at: 0x100}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    found = tmp_path / "definitions"
    found.mkdir()
    (found / "wren.yaml").write_text(FAMILY)
    (found / "wren-1.yaml").write_text(VERSION)
    return found


@pytest.fixture
def cache(tmp_path: Path) -> Path:
    return tmp_path / "cache" / "definitions"


class Readings:
    """Counts how often YAML is read."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.count = 0
        real = loader.load_normal

        def counted(*args: Any, **kwargs: Any) -> Any:
            self.count += 1
            return real(*args, **kwargs)

        monkeypatch.setattr(loader, "load_normal", counted)


@pytest.fixture
def readings(monkeypatch: pytest.MonkeyPatch) -> Readings:
    return Readings(monkeypatch)


def factor(definition: Definition) -> str:
    return str(definition.tables["idle"].scaling.conversion.factor)  # type: ignore[union-attr]


def compiled_files(cache: Path) -> list[Path]:
    return sorted(cache.glob("*.caldef"))


# ------------------------------------------------------------------------------------------------------- the cache


def test_yaml_is_read_once(folder: Path, cache: Path, readings: Readings) -> None:
    first = Catalogue([folder], cache).load(folder / "wren-1.yaml")
    second = Catalogue([folder], cache).load(folder / "wren-1.yaml")
    assert readings.count == 1
    assert first == second
    assert normal_of(first) == normal_of(second)
    assert [path.name for path in cache.iterdir() if path.name.startswith(".")] == []


def test_without_a_cache_everything_works_and_nothing_is_written(folder: Path, tmp_path: Path) -> None:
    assert factor(load_definition(folder / "wren-1.yaml")) == "1/2"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["definitions"]


def test_a_changed_file_is_read_again(folder: Path, cache: Path, readings: Readings) -> None:
    catalogue = Catalogue([folder], cache)
    before = catalogue.load(folder / "wren-1.yaml")
    assert catalogue.load(folder / "wren-1.yaml") is before
    (folder / "wren-1.yaml").write_text(VERSION.replace("0x100", "0x200"))
    assert catalogue.load(folder / "wren-1.yaml").tables["idle"].cells.at == 0x200
    assert readings.count == 2


def test_a_changed_ancestor_is_read_again(folder: Path, cache: Path, readings: Readings) -> None:
    catalogue = Catalogue([folder], cache)
    assert factor(catalogue.load(folder / "wren-1.yaml")) == "1/2"
    (folder / "wren.yaml").write_text(FAMILY.replace("1/2", "1/4"))
    assert factor(catalogue.load(folder / "wren-1.yaml")) == "1/4"
    assert factor(Catalogue([folder], cache).load(folder / "wren-1.yaml")) == "1/4"
    assert readings.count == 2


def test_an_ancestor_that_comes_to_stand_nearer_counts(folder: Path, cache: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    shutil.move(folder / "wren.yaml", elsewhere / "wren.yaml")
    assert factor(load_definition(folder / "wren-1.yaml", folders=[elsewhere], cache=cache)) == "1/2"
    (folder / "wren.yaml").write_text(FAMILY.replace("1/2", "1/4"))
    assert factor(load_definition(folder / "wren-1.yaml", folders=[elsewhere], cache=cache)) == "1/4"
    (folder / "wren.yaml").unlink()
    assert factor(load_definition(folder / "wren-1.yaml", folders=[elsewhere], cache=cache)) == "1/2"


def test_an_ancestor_that_is_gone_is_an_error_in_spite_of_the_cache(folder: Path, cache: Path) -> None:
    load_definition(folder / "wren-1.yaml", cache=cache)
    (folder / "wren.yaml").unlink()
    with pytest.raises(DefinitionError, match="there is no definition wren"):
        load_definition(folder / "wren-1.yaml", cache=cache)


@pytest.mark.parametrize("harm", ["cut", "emptied", "flipped", "replaced by a folder"])
def test_a_harmed_file_is_written_anew(folder: Path, cache: Path, readings: Readings, harm: str) -> None:
    load_definition(folder / "wren-1.yaml", cache=cache)
    (path,) = compiled_files(cache)
    data = path.read_bytes()
    path.unlink()
    if harm == "replaced by a folder":
        path.mkdir()
    else:
        path.write_bytes({"cut": data[:-1], "emptied": b"", "flipped": data[:200] + b"!" + data[201:]}[harm])
    assert factor(load_definition(folder / "wren-1.yaml", cache=cache)) == "1/2"
    assert readings.count == 2
    if harm != "replaced by a folder":
        assert path.read_bytes() == data


def test_a_file_that_somebody_else_compiled_is_not_taken(folder: Path, cache: Path, readings: Readings) -> None:
    """A poisoned file: sealed, and for this very source, but not with this user's secret."""
    path = folder / "wren-1.yaml"
    load_definition(path, cache=cache)
    loaded = loader.load_normal(path, folders=[folder])
    poisoned = loaded.normal | {"scalings": {"half": {"linear": {"factor": "7"}}}}
    sources = [(source.path.stem, source.digest.hex) for source in loaded.sources]
    for key in (b"", b"0" * 32):
        compiled_files(cache)[0].write_bytes(compile_normal(poisoned, sources, key=key))
        readings.count = 0
        assert factor(load_definition(path, cache=cache)) == "1/2"
        assert readings.count == 1


def test_the_poison_would_work_with_the_secret(folder: Path, cache: Path) -> None:
    """That the test before can fail: with the user's own secret the same bytes are taken."""
    path = folder / "wren-1.yaml"
    load_definition(path, cache=cache)
    loaded = loader.load_normal(path, folders=[folder])
    poisoned = loaded.normal | {"scalings": {"half": {"linear": {"factor": "7"}}}}
    sources = [(source.path.stem, source.digest.hex) for source in loaded.sources]
    compiled_files(cache)[0].write_bytes(compile_normal(poisoned, sources, key=(cache / "key").read_bytes()))
    assert factor(load_definition(path, cache=cache)) == "7"


def test_a_good_file_under_another_name_is_not_taken(folder: Path, cache: Path) -> None:
    load_definition(folder / "wren-1.yaml", cache=cache)
    (first,) = compiled_files(cache)
    (folder / "wren-1.yaml").write_text(VERSION.replace("0x100", "0x200"))
    load_definition(folder / "wren-1.yaml", cache=cache)
    (second,) = [path for path in compiled_files(cache) if path != first]
    shutil.copy(first, second)
    assert load_definition(folder / "wren-1.yaml", cache=cache).tables["idle"].cells.at == 0x200


def test_the_secret_is_the_users_own(folder: Path, cache: Path, readings: Readings) -> None:
    load_definition(folder / "wren-1.yaml", cache=cache)
    key = cache / "key"
    assert key.stat().st_mode & 0o777 == 0o600
    assert len(key.read_bytes()) == 32
    assert compiled_files(cache)[0].stat().st_mode & 0o077 == 0
    known = key.read_bytes()
    key.chmod(0o644)  # others may have read it
    load_definition(folder / "wren-1.yaml", cache=cache)
    assert key.read_bytes() != known
    assert key.stat().st_mode & 0o777 == 0o600
    assert readings.count == 2


def test_a_secret_that_is_a_link_is_not_followed(folder: Path, cache: Path, tmp_path: Path) -> None:
    cache.mkdir(parents=True)
    (tmp_path / "theirs").write_bytes(b"k" * 32)
    (tmp_path / "theirs").chmod(0o600)
    (cache / "key").symlink_to(tmp_path / "theirs")
    load_definition(folder / "wren-1.yaml", cache=cache)
    assert (cache / "key").read_bytes() != b"k" * 32
    assert (tmp_path / "theirs").read_bytes() == b"k" * 32


@pytest.mark.parametrize("obstacle", ["a file", "nothing may be written"])
def test_a_folder_that_cannot_be_used_costs_time_and_nothing_else(folder: Path, cache: Path, obstacle: str) -> None:
    if obstacle == "a file":
        cache.parent.mkdir()
        cache.write_text("not a folder")
    else:
        cache.mkdir(parents=True)
        cache.chmod(0o500)
        if os.geteuid() == 0:
            pytest.skip("root may write anywhere")
    assert factor(load_definition(folder / "wren-1.yaml", cache=cache)) == "1/2"


def test_a_large_definition_is_mapped(folder: Path, cache: Path, readings: Readings) -> None:
    tables = "".join(f"  t{n}: {{at: {n % 4096}, type: u8, title: '{'x' * 400}'}}\n" for n in range(3000))
    (folder / "wren-1.yaml").write_text(VERSION + tables)
    load_definition(folder / "wren-1.yaml", cache=cache)
    assert compiled_files(cache)[0].stat().st_size > 1 << 20
    definition = load_definition(folder / "wren-1.yaml", cache=cache)
    assert readings.count == 1
    assert definition.tables["t2999"].cells.at == 2999
    assert len(definition.index.touching([(5, 6)]).tables) == 1


def test_what_is_harmed_while_in_use_is_made_good(folder: Path, cache: Path, readings: Readings) -> None:
    tables = "".join(f"  t{n:04}: {{at: {n}, type: u8, title: '{'x' * 400}'}}\n" for n in range(3000))
    (folder / "wren-1.yaml").write_text(VERSION + tables)
    load_definition(folder / "wren-1.yaml", cache=cache)
    definition = load_definition(folder / "wren-1.yaml", cache=cache)
    (path,) = compiled_files(cache)
    at = path.read_bytes().index(b'"at":1500,')
    with path.open("r+b") as file:
        file.seek(at)
        file.write(b"!")
    assert definition.tables["t1500"].cells.at == 1500
    assert readings.count == 2
    assert b'"at":1500,' in path.read_bytes()


# -------------------------------------------------------------------------------------------------------- finding


def test_families_decode_nothing(folder: Path, cache: Path) -> None:
    for _ in range(2):
        with pytest.raises(DefinitionError, match="this is a family"):
            Catalogue([folder], cache).load(folder / "wren.yaml")


def test_all_definitions_are_told_and_broken_ones_with_their_error(
    folder: Path, cache: Path, readings: Readings
) -> None:
    (folder / "bad.yaml").write_text("definition: 2\n")
    (folder / "notes.txt").write_text("nothing")
    (folder / "dir.yaml").mkdir()
    for _ in range(2):
        found = {path.name: item for path, item in Catalogue([folder], cache).definitions()}
        assert list(found) == ["bad.yaml", "dir.yaml", "wren-1.yaml"]
        assert isinstance(found["bad.yaml"], DefinitionError)
        assert isinstance(found["dir.yaml"], DefinitionError)
        assert isinstance(found["wren-1.yaml"], Definition)
    assert readings.count == 4  # the broken one twice, the family and the version once


def test_the_earlier_folder_hides_the_later(folder: Path, cache: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "wren-1.yaml").write_text(VERSION.replace("0x100", "0x200"))
    catalogue = Catalogue([mine, folder], cache)
    assert [path for path, _ in catalogue.definitions()] == [mine / "wren-1.yaml"]
    assert catalogue.by_name("wren-1").tables["idle"].cells.at == 0x200
    assert Catalogue([folder, mine]).by_name("wren-1").tables["idle"].cells.at == 0x100


@pytest.mark.parametrize("name", ["wren-2", "", "../definitions/wren-1", "wren-1.yaml", "w" * 5000, "a\0b"])
def test_a_name_that_nothing_has(folder: Path, name: str) -> None:
    with pytest.raises(DefinitionMissingError) as caught:
        Catalogue([folder]).by_name(name)
    if name == "wren-2":
        assert caught.value.hint == "did you mean wren-1?"


def test_a_folder_that_is_not_there_holds_nothing(tmp_path: Path) -> None:
    assert list(Catalogue([tmp_path / "none"]).definitions()) == []


@pytest.mark.parametrize("what", ["missing", "a folder", "a pipe", "a zero in its name"])
def test_a_file_that_cannot_be_read(tmp_path: Path, what: str) -> None:
    path = tmp_path / ("x\0y" if what == "a zero in its name" else "x.yaml")
    if what == "a folder":
        path.mkdir()
    if what == "a pipe":
        os.mkfifo(path)
    with pytest.raises(FileError):
        load_definition(path)


def test_from_text(folder: Path) -> None:
    assert factor(definition_from_text(VERSION, folders=[folder])) == "1/2"
    with pytest.raises(DefinitionError, match="family"):
        definition_from_text(FAMILY)


def test_the_shipped_definitions_are_there_and_sound() -> None:
    found = dict(Catalogue([shipped_folder()]).definitions())
    assert found
    assert [str(path) for path, item in found.items() if isinstance(item, DefinitionError)] == []
