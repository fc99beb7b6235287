"""Where a definition is looked for that another one extends: in folders, or among files held in memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Protocol

import attrs

from caldiff.definition.ancestor import ENDING, ancestor
from caldiff.definition.document import MOST_BYTES
from caldiff.definition.problems import Wrong
from caldiff.errors import FileError

__all__ = ["Files", "Folders", "Found", "Shelf", "read_bytes"]


@attrs.frozen(kw_only=True)
class Found:
    """The file of a definition: what stands in it, what messages call it, and the folder that it stands in, if any."""

    data: bytes = attrs.field(repr=False)
    file: str
    folder: Path | None


class Shelf(Protocol):
    """Has definitions by name."""

    def find(self, name: str, beside: Path | None) -> Found:
        """The definition of that name, for one that stands in the folder ``beside``.

        Raises:
            Wrong: there is none, or it cannot be read.
        """


@attrs.frozen
class Folders:
    """The folder of the file that extends, then these, in order."""

    folders: Sequence[Path]

    def find(self, name: str, beside: Path | None) -> Found:
        """As :meth:`Shelf.find`."""
        path = ancestor(name, beside, self.folders)
        if path is None:
            searched = [folder for folder in (beside, *self.folders) if folder is not None]
            raise Wrong(
                f"there is no definition {name}",
                expected=" or ".join(str(folder / f"{name}{ENDING}") for folder in searched) or "a folder to look in",
                word=name,
                words={p.stem for folder in searched if folder.is_dir() for p in folder.glob(f"*{ENDING}")},
                hint="put the file beside this one, or in a folder where definitions are found",
            )
        try:
            return Found(data=read_bytes(path), file=str(path), folder=path.parent)
        except FileError as error:
            raise Wrong(error.reason, got=str(path)) from None


@attrs.frozen
class Files:
    """Files in memory by their names, ``NAME.yaml``, and nothing else."""

    files: Mapping[str, bytes] = attrs.field(repr=False)

    def find(self, name: str, beside: Path | None) -> Found:
        """As :meth:`Shelf.find`; no folder is looked into."""
        file = f"{name}{ENDING}"
        if file not in self.files:
            raise Wrong(
                f"there is no definition {name}",
                expected=f"{file} among the files given",
                word=name,
                words={known.removesuffix(ENDING) for known in self.files},
                hint="give the files of everything that is extended too",
            )
        return Found(data=self.files[file], file=file, folder=beside)


def read_bytes(path: Path) -> bytes:
    """The bytes of a definition file, one more than may be at most.

    Raises:
        FileError: it cannot be read.
    """
    try:
        if not path.is_file():
            raise FileError("there is no such file" if not path.exists() else "this is no file", file=path)
        with path.open("rb") as stream:
            return stream.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        raise FileError(f"the file cannot be read: {getattr(error, 'strerror', None) or error}", file=path) from None
