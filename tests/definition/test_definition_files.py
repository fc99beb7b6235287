"""A definition given as files in memory, and the files that a definition came from: what is kept for years."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.catalogue import Catalogue, definition_from_files, load_definition, shipped_folder
from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame
from caldiff.errors import CaldiffError, DefinitionError, DefinitionMissingError, FileError

FAMILY = b"definition: 1\nname: wren\nscalings:\n  half: {unit: '%', factor: 1/2}\n"
MIDDLE = b"definition: 1\nname: middle\nextends: wren\ntitle: between\n"
OWN = (
    b"definition: 1\nname: wren-1\nextends: middle\nimage: {start: 0, size: 4 KiB, byte_order: big}\n"
    b"tables:\n  idle: {at: 0x100, type: u8, scaling: half}\n"
)
FILES = {"wren-1.yaml": OWN, "middle.yaml": MIDDLE, "wren.yaml": FAMILY}


def in_folder(folder: Path, files: dict[str, bytes]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return folder


def test_the_same_definition_as_from_a_folder(tmp_path: Path) -> None:
    loaded = load_definition(in_folder(tmp_path, FILES) / "wren-1.yaml")
    assert definition_from_files(FILES).digest == loaded.digest
    assert definition_from_files(FILES).title == "between"


def test_nothing_is_taken_from_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(in_folder(tmp_path, FILES))
    with pytest.raises(DefinitionError) as caught:
        definition_from_files({"wren-1.yaml": OWN, "middle.yaml": MIDDLE})
    assert str(caught.value) == (
        "middle.yaml:3:10: extends: there is no definition wren (expected wren.yaml among the files given)"
    )


@pytest.mark.parametrize("name", ["../wren", "/etc/passwd", "wren.yaml"])
def test_no_name_leads_out_of_the_files(name: str) -> None:
    with pytest.raises(DefinitionError):
        definition_from_files({"wren-1.yaml": OWN.replace(b"middle", name.encode()), "wren.yaml": FAMILY})


def test_the_first_file_is_the_own_one_and_may_be_no_family() -> None:
    with pytest.raises(DefinitionError, match=r"^wren\.yaml: this is a family"):
        definition_from_files({"wren.yaml": FAMILY, "wren-1.yaml": OWN})
    with pytest.raises(DefinitionError, match="there is no file"):
        definition_from_files({})


def test_a_ring() -> None:
    with pytest.raises(DefinitionError, match="ring"):
        definition_from_files(FILES | {"wren.yaml": FAMILY + b"extends: middle\n"})


@given(data=st.binary(max_size=80), at=st.sampled_from(sorted(FILES)), place=st.integers(0, 200))
def test_hostile_files_raise_only_our_errors(data: bytes, at: str, place: int) -> None:
    damaged = FILES[at][:place] + data + FILES[at][place + len(data) :]
    try:
        definition_from_files(FILES | {at: damaged})
    except CaldiffError:
        return


# ---------------------------------------------------------------------------------------------------------- files of


@pytest.mark.parametrize("cached", [False, True])
def test_files_of_a_definition_in_order(tmp_path: Path, *, cached: bool) -> None:
    folder, cache = in_folder(tmp_path / "defs", FILES), tmp_path / "cache" if cached else None
    Catalogue([folder], cache).by_name("wren-1")
    catalogue = Catalogue([folder], cache)
    files = catalogue.files_of(catalogue.by_name("wren-1"))
    assert files == tuple(FILES.items())


def test_ancestors_of_another_folder_and_an_own_file_of_another_name(tmp_path: Path) -> None:
    far = in_folder(tmp_path / "far", {"middle.yaml": MIDDLE, "wren.yaml": FAMILY})
    own = in_folder(tmp_path / "near", {"wren.yaml": OWN}) / "wren.yaml"  # also the name of an ancestor's file
    catalogue = Catalogue([far])
    definition = catalogue.load(own)
    assert dict(catalogue.files_of(definition)) == FILES
    assert definition_from_files(dict(catalogue.files_of(definition))) == definition


def test_a_definition_that_another_catalogue_opened(tmp_path: Path) -> None:
    folder = in_folder(tmp_path, FILES)
    assert dict(Catalogue([folder]).files_of(load_definition(folder / "wren-1.yaml"))) == FILES


def test_a_definition_made_in_memory_has_none(tmp_path: Path) -> None:
    made = Definition.of(name="wren-1", frame=Frame(start=0, size=4096, byte_order="big"))
    with pytest.raises(DefinitionMissingError) as caught:
        Catalogue([in_folder(tmp_path, FILES)]).files_of(made)  # a file of that name says something else
    assert caught.value.reason == "definition wren-1 came from no file that is known here"
    assert caught.value.hint == "write it into a YAML file, and load it from there"


@pytest.mark.parametrize("name", sorted(FILES))
def test_a_file_that_changed_since(tmp_path: Path, name: str) -> None:
    folder = in_folder(tmp_path, FILES)
    catalogue = Catalogue([folder])
    definition = catalogue.by_name("wren-1")
    (folder / name).write_bytes(FILES[name] + b"# a word\n")
    with pytest.raises(FileError, match="not any more what it was"):
        catalogue.files_of(definition)
    (folder / name).unlink()
    with pytest.raises(FileError):
        catalogue.files_of(definition)


def test_every_shipped_definition_can_be_kept() -> None:
    catalogue = Catalogue([shipped_folder()])
    for _, definition in catalogue.definitions():
        assert isinstance(definition, Definition)
        assert definition_from_files(dict(catalogue.files_of(definition))).digest == definition.digest
