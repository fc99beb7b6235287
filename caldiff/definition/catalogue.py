"""Where definitions are found, and the cache that spares reading their YAML again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import cached_property
from hashlib import file_digest
from os import PathLike
from pathlib import Path

import attrs

from caldiff.canonical import Digest
from caldiff.definition.ancestor import ENDING, ancestor
from caldiff.definition.cache import Cache
from caldiff.definition.compiled import Opened, Source, compile_family, compile_normal, open_any, open_compiled
from caldiff.definition.definition import Definition
from caldiff.definition.pages import DamagedError
from caldiff.errors import CaldiffError, DefinitionError, DefinitionMissingError, FileError

__all__ = ["Catalogue", "definition_from_files", "definition_from_text", "load_definition", "shipped_folder"]


def shipped_folder() -> Path:
    """The folder of the definitions that come with caldiff; in a checkout it stands beside the package."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "definitions"
    return inside if inside.is_dir() else package.parent / "definitions"


def _paths(folders: Iterable[str | PathLike[str]]) -> tuple[Path, ...]:
    return tuple(Path(folder) for folder in folders)


def _family(path: str | PathLike[str] | None) -> CaldiffError:
    return CaldiffError(
        "this is a family: it has no image, and decodes nothing by itself",
        file=path,
        hint="use one of the definitions that extend it",
    )


@attrs.frozen(eq=False)
class Catalogue:
    """Folders of definitions, in the order in which they are searched.

    Attributes:
        folders: a file of the same name in an earlier folder hides the one in a later one.
        cache: the folder that compiled definitions rest in, or None for none.
    """

    folders: tuple[Path, ...] = attrs.field(converter=_paths, default=())
    cache: Path | None = None
    _opened: dict[Path, Opened] = attrs.field(factory=dict, init=False, repr=False)

    def load(self, path: str | PathLike[str]) -> Definition:
        """The definition in a file, from its compiled form where that is still true.

        Raises:
            FileError: the file cannot be read.
            DefinitionError: it is no definition, or a family, which decodes nothing by itself.
        """
        definition = self._load(Path(path))
        if definition is None:
            raise DefinitionError([_family(path)])
        return definition

    def by_name(self, name: str) -> Definition:
        """The definition in ``NAME.yaml`` in the first folder that has it.

        Raises:
            DefinitionMissingError: no folder has it.
            DefinitionError, FileError: as :meth:`load`.
        """
        known = {path.stem: path for path in self._files()}
        if name in known:
            return self.load(known[name])
        from difflib import get_close_matches  # noqa: PLC0415 - only a mistake needs it

        close = get_close_matches(name, known, n=1)
        hint = f"did you mean {close[0]}?" if close else f"the folders searched hold {len(known)} definitions"
        raise DefinitionMissingError(f"no definition is called {name}", hint=hint)

    def definitions(self) -> Iterator[tuple[Path, Definition | DefinitionError]]:
        """Every definition of the folders, by name, families left out; for one that cannot be used, the error."""
        for path in self._files():
            try:
                definition = self._load(path)
            except DefinitionError as error:
                yield path, error
            except FileError as error:
                yield path, DefinitionError([error])
            else:
                if definition is not None:
                    yield path, definition

    def files_of(self, definition: Definition) -> tuple[tuple[str, bytes], ...]:
        """The YAML files that a definition of these folders came from, the own one first, then what it extends.

        Each is named after its definition, ``NAME.yaml``: :func:`definition_from_files` reads them again.

        Raises:
            DefinitionMissingError: it came from no file of these folders, nor was it loaded by this catalogue.
            FileError: a file cannot be read, or is not any more what the definition was read from.
        """
        from caldiff.definition.shelves import read_bytes  # noqa: PLC0415 - only who keeps a definition needs it

        at, sources = self._origin(definition)
        files = []
        for number, (name, digest) in enumerate(sources):
            path = at if number == 0 else ancestor(name, at.parent, self.folders)
            data = b"" if path is None else read_bytes(path)
            if path is None or Digest.of(data).hex != digest:
                raise FileError(
                    f"definition {definition.name} is not any more what it was when it was read",
                    file=path or name,
                    hint="open the image again",
                )
            files.append((f"{name if number else definition.name}{ENDING}", data))
            at = path
        return tuple(files)

    def _origin(self, definition: Definition) -> tuple[Path, Sequence[Source]]:
        """The definition's own file, and the sources that it was read from."""
        for path in (p for p in self._files() if p.stem == definition.name and p not in self._opened):
            with suppress(DefinitionError, FileError):
                self._load(path)
        for path, opened in self._opened.items():
            if opened.definition == definition:
                return path, opened.sources
        raise DefinitionMissingError(
            f"definition {definition.name} came from no file that is known here",
            hint="write it into a YAML file, and load it from there",
        )

    def _files(self) -> list[Path]:
        found: dict[str, Path] = {}
        for folder in self.folders:
            # A folder that is not there, or that may not be read, holds nothing.
            with suppress(OSError, ValueError):
                for path in folder.iterdir():
                    if path.suffix == ENDING:
                        found.setdefault(path.name, path)
        return [found[name] for name in sorted(found)]

    @cached_property
    def _store(self) -> Cache | None:
        return None if self.cache is None else Cache.at(self.cache)

    @property
    def _key(self) -> bytes:
        return b"" if self._store is None else self._store.key

    def _load(self, path: Path) -> Definition | None:
        """The definition, or None for a family."""
        own = _digest(path)
        opened = self._opened.get(path)
        if opened is None or not self._current(path, own, opened.sources):
            opened = self._from_cache(path, own) or open_any(self._compile(path), key=self._key)
            self._opened[path] = opened
        return opened.definition

    def _from_cache(self, path: Path, own: Digest) -> Opened | None:
        """The compiled form out of the cache, if it is sound and every file that it came from is still the same."""
        data = None if self._store is None else self._store.read(own)
        if data is None:
            return None
        try:
            opened = open_any(data, key=self._key, rebuild=lambda: self._compile(path))
        except DamagedError:
            return None
        return opened if self._current(path, own, opened.sources) else None

    def _compile(self, path: Path) -> bytes:
        """Read the YAML and everything that it extends; leave the compiled form in the cache."""
        from caldiff.definition.loader import load_normal  # noqa: PLC0415 - needed where the cache has no answer

        loaded = load_normal(path, folders=self.folders)
        sources = [(source.path.stem, source.digest.hex) for source in loaded.sources]
        if loaded.is_family:
            data = compile_family(sources, key=self._key)
        else:
            data = compile_normal(loaded.normal, sources, key=self._key)
        if self._store is not None:
            self._store.write(loaded.sources[0].digest, data)
        return data

    def _current(self, path: Path, own: Digest, sources: Sequence[Source]) -> bool:
        """Whether the files that a compiled form came from would be read, and read the same, today."""
        if not sources or sources[0][1] != own.hex:
            return False
        at = path
        for name, digest in sources[1:]:
            found = ancestor(name, at.parent, self.folders)
            if found is None or _digest(found).hex != digest:
                return False
            at = found
        return True


def _digest(path: Path) -> Digest:
    try:
        # The stream of a pipe might never end.
        if path.exists() and not path.is_file():
            raise FileError("this is no file", file=path)
        with path.open("rb") as file:
            return Digest(hex=file_digest(file, "sha256").hexdigest())
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(f"the definition cannot be read: {reason}", file=path) from error


def load_definition(
    path: str | PathLike[str], *, folders: Iterable[str | PathLike[str]] = (), cache: Path | None = None
) -> Definition:
    """The definition in a file; what it extends is looked for beside it, then in the folders.

    Raises:
        FileError: the file cannot be read.
        DefinitionError: it is no definition, or a family, which decodes nothing by itself.
    """
    return Catalogue(folders, cache).load(path)


def definition_from_text(text: str, *, folders: Iterable[str | PathLike[str]] = ()) -> Definition:
    """The definition in a text; what it extends is looked for in the folders.

    Raises:
        DefinitionError: it is no definition, or a family.
    """
    from caldiff.definition.loader import normal_from_text  # noqa: PLC0415 - as above

    loaded = normal_from_text(text, folders=_paths(folders))
    if loaded.is_family:
        raise DefinitionError([_family(None)])
    return open_compiled(compile_normal(loaded.normal))


def definition_from_files(files: Mapping[str, bytes]) -> Definition:
    """The definition in files held in memory, by name, as :meth:`Catalogue.files_of` gives them: the own one first.

    What it extends is looked for among them as ``NAME.yaml``, and nowhere else.

    Raises:
        DefinitionError: it is no definition, or a family; or there is no file.
    """
    from caldiff.definition.loader import normal_from_files  # noqa: PLC0415 - as above

    loaded = normal_from_files(files)
    if loaded.is_family:
        raise DefinitionError([_family(next(iter(files)))])
    return open_compiled(compile_normal(loaded.normal))
