"""Keeping the bytes of files by their SHA-256, and giving them back proven."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress

from caldiff.canonical import Digest
from caldiff.errors import VaultError
from caldiff.vault.difference import Difference, Flat, Read, applied, read_difference
from caldiff.vault.files import GZIP_MOST, MEND, add_mend, find, get, load, object_name, pack, place, put, unpack
from caldiff.vault.flat import flat_of, written

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Literal

    from caldiff.image.model import Image

    Form = Literal["whole", "gzip", "difference"]
else:
    Form = str

__all__ = ["FORMS", "Form", "Objects"]

FORMS: dict[str, Form] = {"": "whole", ".gz": "gzip", ".diff": "difference"}
"""endings of the forms that a file is kept in, in the order in which they are tried"""

Restored = tuple[Digest, bytes | memoryview | VaultError]
_REPAIR = "caldiff verify --repair mends it where the recovery data allows"
_SMALL = 16
"""a difference is taken without trying gzip where it is that many times smaller than the file"""


class _NotItsDigestError(VaultError):
    """Bytes that are not those of the digest."""


class Objects:
    """The kept files of a vault. Nothing is held in memory between calls."""

    def __init__(self, folder: str) -> None:
        self.folder = folder

    # ---------------------------------------------------------------------------------------------------- asking

    def endings(self, digest: Digest) -> tuple[str, ...]:
        """The forms that are there, by their endings."""
        return tuple(end for end in FORMS if self._there(digest, end))

    def _there(self, digest: Digest, ending: str) -> bool:
        return os.path.exists(place(self.folder, object_name(digest.hex, ending)))  # noqa: PTH110 - paths are text here

    def depth(self, digest: Digest) -> int:
        """How many differences lie between a kept file and one that is whole.

        Raises:
            VaultError: it is not kept, or its difference cannot be read.
        """
        ending = self._ending(digest)
        return self._difference(digest).depth if ending == ".diff" else 0

    def _ending(self, digest: Digest) -> str:
        """The first of the forms that are there."""
        for ending in FORMS:
            if self._there(digest, ending):
                return ending
        raise _lacking(self.folder, digest)

    def with_bases(self, digests: Iterable[Digest]) -> tuple[Digest, ...]:
        """The files, and those that they differ from, as far as that can be told."""
        found: dict[Digest, None] = {}
        for digest in digests:
            at: Digest | None = digest
            while at is not None and at not in found:
                found[at] = None
                try:
                    at = self._difference(at).base
                except VaultError:
                    at = None
        return tuple(found)

    def fault_in(self, digest: Digest, name: str) -> VaultError | None:
        """What is wrong with one of the forms that a file is kept in."""
        try:
            there = self._in_form(digest, name.removeprefix(object_name(digest.hex, "")))
        except VaultError as error:
            return error
        return _lacking(self.folder, digest) if there is None else None

    # ------------------------------------------------------------------------------------------------- restoring

    def fetch(self, digest: Digest) -> bytes:
        """The bytes of a kept file.

        Raises:
            VaultError: it is not kept, or damaged in every form that it is kept in; ``file`` says where.
        """
        problem = _lacking(self.folder, digest)
        for ending in FORMS:
            try:
                data = self._in_form(digest, ending)
            except VaultError as error:
                problem = error
                continue
            if data is not None:
                return bytes(data)
        raise problem

    def _in_form(self, digest: Digest, ending: str) -> bytes | memoryview | None:
        """The bytes as one form has them, proven; None where there is no such form."""
        name = object_name(digest.hex, ending)
        if ending != ".diff":
            data = find(self.folder, name)
            return None if data is None else self._proven(digest, self._unpacked(name, data), name)
        if not self._there(digest, ending):
            return None
        way = [(digest, self._difference(digest))]
        while self._ending(way[-1][1].base) == ".diff":
            way.append((way[-1][1].base, self._below(*way[-1])))
        root = way[-1][1].base
        with suppress(_NotItsDigestError):
            return self._along(way, self._root(root, way[-1][1].like))
        if len(self.endings(root)) > 1:  # the one that is damaged may have been the first
            with suppress(_NotItsDigestError), _told(place(self.folder, object_name(root.hex, ""))):
                return self._along(way, flat_of(self.fetch(root), way[-1][1].like))
        raise self._to_blame([own for own, _ in way], root)

    def _along(self, way: list[tuple[Digest, Difference]], flat: Flat) -> bytes | memoryview:
        """What comes of an image by all differences on the way, the last one first."""
        for own, difference in reversed(way):
            flat = self._applied(own, difference, flat)
        digest, difference = way[0]
        name = object_name(digest.hex, ".diff")
        with _told(place(self.folder, name)):
            return self._proven(digest, written(flat, difference), name)

    def _difference(self, digest: Digest) -> Difference:
        name = object_name(digest.hex, ".diff")
        with _told(place(self.folder, name)):
            return read_difference(get(self.folder, name))

    def _below(self, digest: Digest, difference: Difference) -> Difference:
        """The difference that another one's base is kept as. Depths fall, so that every way ends."""
        below = self._difference(difference.base)
        if below.depth >= difference.depth or below.format != difference.like:
            raise _disagreeing(self.folder, digest)
        return below

    def _root(self, digest: Digest, like: Read) -> Flat:
        """The image of a base that is kept whole; not proven, for what comes of it will be."""
        ending = self._ending(digest)
        name = object_name(digest.hex, ending)
        data = load(self.folder, name) if ending == "" else self._unpacked(name, get(self.folder, name))
        with _told(place(self.folder, name)):
            return flat_of(data, like)

    def _applied(self, digest: Digest, difference: Difference, flat: Flat) -> Flat:
        with _told(place(self.folder, object_name(digest.hex, ".diff"))):
            return applied(difference, flat)

    def _unpacked(self, name: str, data: bytes) -> bytes:
        if not name.endswith(".gz"):
            return data
        with _told(place(self.folder, name)):
            return unpack(data)

    def _proven(self, digest: Digest, data: bytes | memoryview, name: str) -> bytes | memoryview:
        found = Digest.of(data)
        if found != digest:
            raise _NotItsDigestError(
                "the file is damaged: it does not have its digest",
                file=place(self.folder, name),
                expected=digest.hex,
                got=found.hex,
                hint=_REPAIR,
            )
        return data

    def _to_blame(self, way: list[Digest], root: Digest) -> VaultError:
        """Which file on the way to a restored one is not as it was written, as its recovery data tells."""
        from caldiff.vault.mend import read_mend  # noqa: PLC0415 - only in trouble

        names = [object_name(digest.hex, ".diff") for digest in way]
        for name in (object_name(root.hex, self._ending(root)), *reversed(names)):
            try:
                mend = read_mend(find(self.folder, name + MEND) or b"")
            except VaultError:
                continue
            if mend.digest != Digest.of(get(self.folder, name)):
                break
        else:
            name = names[0]
        return VaultError(
            "the file is damaged: what is restored with it does not have its digest",
            file=place(self.folder, name),
            hint=_REPAIR,
        )

    # ---------------------------------------------------------------------------------------------- restoring many

    def fetch_many(self, digests: Iterable[Digest]) -> Iterator[Restored]:
        """Restore many files, each image from the one that it differs from: for each a digest and what came of it.

        A file's bytes may be a view that is good only until the next is asked for. The order is the restorer's; a
        digest asked for twice comes once.
        """
        wanted = dict.fromkeys(digests)
        differences: dict[Digest, Difference] = {}
        above: dict[Digest, list[Digest]] = {}
        for digest in wanted:
            at = digest
            while at not in differences and self.endings(at)[:1] == (".diff",):
                try:
                    differences[at] = self._difference(at)
                except VaultError:
                    break
                above.setdefault(differences[at].base, []).append(at)
                at = differences[at].base
        missed = dict(wanted)
        for root in [d for d in {**wanted, **dict.fromkeys(above)} if d not in differences]:
            for digest, data in self._tree(root, _Tree(wanted, differences, above)):
                missed.pop(digest, None)
                yield digest, data
        for digest in missed:
            path = place(self.folder, object_name(digest.hex, ".diff"))
            yield digest, VaultError("the differences go round in a circle and lead to no whole file", file=path)

    def _tree(self, root: Digest, tree: _Tree) -> Iterator[Restored]:
        """A file kept whole, and all that is wanted of what differs from it."""
        try:
            data = self.fetch(root)
        except VaultError as error:
            if root in tree.wanted:
                yield root, error
            yield from tree.lost(root, error)
            return
        if root in tree.wanted:
            yield root, data
        for like in dict.fromkeys(tree.differences[one].like for one in tree.above.get(root, ())):
            children = [one for one in tree.above[root] if tree.differences[one].like == like]
            try:
                flat = flat_of(data, like)
            except VaultError as error:
                for one in children:
                    yield from tree.lost_with(one, error)
                continue
            yield from self._children(children, flat, tree)

    def _children(self, children: list[Digest], flat: Flat, tree: _Tree) -> Iterator[Restored]:
        """What differs from an image, whose bytes the last of them uses up."""
        for one in children:
            own = flat if one is children[-1] else Flat(layout=flat.layout, data=bytearray(flat.data))
            name = object_name(one.hex, ".diff")
            difference = tree.differences[one]
            try:
                image = self._applied(one, difference, own)
                with _told(place(self.folder, name)):
                    data = written(image, difference)
                self._proven(one, data, name)
            except VaultError as error:
                yield from tree.lost_with(one, error)
                continue
            if one in tree.wanted:
                yield one, data
            fitting = [c for c in tree.above.get(one, ()) if tree.fits(c, one)]
            for child in tree.above.get(one, ()):
                if child not in fitting:
                    yield from tree.lost_with(child, _disagreeing(self.folder, child))
            yield from self._children(fitting, image, tree)

    # --------------------------------------------------------------------------------------------------- keeping

    def keep(self, data: bytes, *, image: Image | None, near: Mapping[Digest, Image], whole: bool) -> Digest:
        """Keep a file. What the arguments are stands at :meth:`caldiff.vault.vault.Vault.keep`."""
        digest = Digest.of(data)
        sound, damaged = self._kept_already(digest, data)
        if sound and (not whole or "" in sound or "" in damaged):
            return digest
        ending, packed = ("", data) if whole else self._smallest(data, image, near)
        if ending in damaged:
            # What is damaged is not touched: the file is kept once more in another form, from which a repair can mend.
            ending, packed = (".gz", pack(data)) if ending == "" else ("", data)
        name = object_name(digest.hex, ending)
        put(self.folder, name, packed)
        if ending in damaged or self._in_form(digest, ending) is None:
            raise VaultError("the file is kept already, and damaged", file=place(self.folder, name), hint=_REPAIR)
        return digest

    def _kept_already(self, digest: Digest, data: bytes) -> tuple[list[str], list[str]]:
        """The forms in which the file is there and sound, and those in which it is damaged.

        The sound ones have their recovery data then, which a process killed before may have left out.
        """
        sound, damaged = [], []
        for ending in self.endings(digest):
            if self.fault_in(digest, object_name(digest.hex, ending)) is not None:
                damaged.append(ending)
                continue
            sound.append(ending)
            name = object_name(digest.hex, ending)
            add_mend(self.folder, name, data if ending == "" else get(self.folder, name))
        return sound, damaged

    def _smallest(self, data: bytes, image: Image | None, near: Mapping[Digest, Image]) -> tuple[str, bytes]:
        """The form that takes least: ending and bytes of the file."""
        best = self._nearest(data, image, near)
        if best is not None and len(best) * _SMALL <= len(data):
            return ".diff", best
        gzip = pack(data) if len(data) <= GZIP_MOST else None
        forms = [(ending, one) for ending, one in ((".diff", best), (".gz", gzip)) if one is not None]
        ending, smallest = min(forms, key=lambda form: len(form[1]), default=("", data))
        return ("", data) if len(smallest) >= len(data) - len(data) // 8 else (ending, smallest)

    def _nearest(self, data: bytes, image: Image | None, near: Mapping[Digest, Image]) -> bytes | None:
        """The smallest difference against a kept image that gives the very bytes back; None where none does."""
        if image is None or not near:
            return None
        from caldiff.vault.making import around, difference_against  # noqa: PLC0415 - imports numpy

        outside = around(data, image)
        if outside is None:
            return None
        found: list[Difference] = []
        for base, other in near.items():
            try:
                depth = self.depth(base) + 1
            except VaultError:
                continue
            made = difference_against(image, outside, size=len(data), near=other, base=base, depth=depth)
            found += [] if made is None else [made]
        for difference in sorted(found, key=lambda one: len(one.body)):
            packed = difference.dump()
            if self._gives(packed, data):
                return packed
        return None

    def _gives(self, packed: bytes, data: bytes) -> bool:
        """Whether a difference about to be kept gives the bytes back, from what the vault holds of its base."""
        try:
            difference = read_difference(packed)
            base = self.fetch(difference.base)
            return bytes(written(applied(difference, flat_of(base, difference.like)), difference)) == data
        except VaultError:
            return False


class _Tree:
    """Which differences hang on which file, and which of all these files are wanted."""

    def __init__(
        self, wanted: dict[Digest, None], differences: dict[Digest, Difference], above: dict[Digest, list[Digest]]
    ) -> None:
        self.wanted, self.differences, self.above = wanted, differences, above

    def fits(self, one: Digest, base: Digest) -> bool:
        """Whether a difference agrees with that of its base."""
        own, below = self.differences[one], self.differences[base]
        return below.depth < own.depth and below.format == own.like

    def lost_with(self, one: Digest, error: VaultError) -> Iterator[Restored]:
        """A file that cannot be restored, and all that hang on it."""
        if one in self.wanted:
            yield one, error
        yield from self.lost(one, error)

    def lost(self, base: Digest, error: VaultError) -> Iterator[Restored]:
        """All that hang on a file that cannot be restored."""
        todo = [base]
        while todo:
            at = todo.pop()
            reason = f"the file cannot be restored, for what it differs from cannot be: {at.short}"
            for one in self.above.get(at, ()):
                if one in self.wanted:
                    yield one, VaultError(reason, file=error.file)
                todo.append(one)


class _told:  # noqa: N801 - reads as a word where it is used
    """Gives an error the file that it is about."""

    def __init__(self, path: str) -> None:
        self.path = path

    def __enter__(self) -> None:
        pass

    def __exit__(self, _: object, error: object, __: object) -> None:
        if isinstance(error, VaultError) and error.file is None:
            error.file = self.path


def _disagreeing(folder: str, digest: Digest) -> VaultError:
    path = place(folder, object_name(digest.hex, ".diff"))
    return VaultError("the difference does not agree with that of its base", file=path)


def _lacking(folder: str, digest: Digest) -> VaultError:
    return VaultError("the vault does not hold this file", file=place(folder, object_name(digest.hex, "")))
