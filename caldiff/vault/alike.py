"""The sketches of a vault's images in its index, and which kept images are nearest to a given one.

Images that are alike form a family: the sketch of one of them, the base, is kept whole, those of the others as the
blocks that differ from it. A search first finds the families, by the marks of their bases, then counts blocks.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

import attrs
import numpy as np

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError
from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image
from caldiff.image.reading import read_image
from caldiff.value import Value
from caldiff.vault.index import Index, Progress
from caldiff.vault.sketch import Sketch, distances, marks, sketch_of

__all__ = ["Alike", "Likeness"]

_ANCHORS = 16
"""of the marks of a base, those by which a new image finds it"""
_TRIED = 4
"""bases that a new sketch is held against"""
_KIN = 4
"""A sketch of which more than one block in four differs from the base's makes a family of its own."""
_FAMILIES = 32
"""looked into, of those that share a mark with the image that is asked for"""
_OFTEN = 500
"""images restored between two savings"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Likeness(Value):
    """How far a kept image is: blocks of 256 bytes that differ, and that are the same, erased ones not counted."""

    content: Digest
    differing: int
    same: int


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Wanted(Value):
    """An image that has no sketch yet."""

    content: bytes
    file: Digest
    format: Format
    start: int


class Alike:
    """The sketches in an index."""

    def __init__(self, index: Index) -> None:
        self._index = index
        self._bases: dict[bytes, Sketch] = {}
        self._anchors: dict[int, list[bytes]] | None = None

    # -------------------------------------------------------------------------------------------------------- filling

    def fill(self, *, limits: Limits | None = None, progress: Progress | None = None) -> int:
        """Sketch every image that has none yet, and keep the index; how many images could not be restored.

        It restores each of them from the vault once, so the first time it may take long.
        """
        wanted = {one.file: one for one in self._wanted()}
        failed = 0
        for done, (file, data) in enumerate(self._index.vault.fetch_many(list(wanted)) if wanted else ()):
            if progress is not None:
                progress(done, len(wanted))
            one = wanted[file]
            try:
                if isinstance(data, CaldiffError):
                    raise data
                image = read_image(data, start=one.start, format=one.format, limits=limits)
            except CaldiffError:
                failed += 1
                continue
            self._keep(one.content, sketch_of(image))
            if done % _OFTEN == _OFTEN - 1:
                self._index.save()
        if wanted:
            if progress is not None:
                progress(len(wanted), len(wanted))
            self._index.save()
        return failed

    def learn(self, image: Image) -> None:
        """Sketch an image that is at hand, as it is recorded: it need not be restored for it later."""
        content = bytes.fromhex(image.content.hex)
        if self._index.base.execute("SELECT 1 FROM sketch WHERE content = ?", (content,)).fetchone() is None:
            self._keep(content, sketch_of(image))

    def _wanted(self) -> Iterator[_Wanted]:
        query = """SELECT min(id), content, file, format, start FROM entry
                   WHERE content IS NOT NULL AND file IS NOT NULL AND content NOT IN (SELECT content FROM sketch)
                   GROUP BY content ORDER BY min(id)"""
        for _, content, file, format_, start in self._index.base.execute(query):
            yield _Wanted(content=content, file=Digest(hex=file.hex()), format=format_, start=start)

    def _keep(self, content: bytes, sketch: Sketch) -> None:
        """Into the family that it is nearest to, or as the base of a new one."""
        own = marks(sketch)
        base, left = self._nearest_base(sketch, own[:_ANCHORS].tolist())
        if left is None or len(left.places) * _KIN > len(sketch.places):
            base, left = None, sketch
            self._anchor(content, own[:_ANCHORS].tolist())
        self._index.base.execute(
            "INSERT OR REPLACE INTO sketch VALUES (?, ?, ?, ?)",
            (content, base, own.tobytes() if base is None else None, left.dump()),
        )

    def _nearest_base(self, sketch: Sketch, anchors: list[int]) -> tuple[bytes | None, Sketch | None]:
        if self._anchors is None:
            self._anchors = defaultdict(list)
            for content, found in self._index.base.execute("SELECT content, marks FROM sketch WHERE base IS NULL"):
                self._anchor(content, np.frombuffer(found, np.uint64)[:_ANCHORS].tolist())
        shared = Counter(base for anchor in anchors for base in self._anchors.get(anchor, ()))
        tried = [(base, sketch.less(self._base(base))) for base, _ in shared.most_common(_TRIED)]
        return min(tried, key=lambda one: len(one[1].places), default=(None, None))

    def _anchor(self, content: bytes, anchors: list[int]) -> None:
        if self._anchors is not None:
            for anchor in anchors:
                self._anchors.setdefault(anchor, []).append(content)

    def _base(self, content: bytes) -> Sketch:
        if content not in self._bases:
            if len(self._bases) >= 2 * _FAMILIES:  # however many families there are, few are held
                self._bases.clear()
            (data,) = self._index.base.execute("SELECT data FROM sketch WHERE content = ?", (content,)).fetchone()
            self._bases[content] = Sketch.read(data)
        return self._bases[content]

    # ------------------------------------------------------------------------------------------------------ searching

    def nearest(self, image: Image, count: int) -> tuple[Likeness, ...]:
        """The kept images that differ from the image in the fewest blocks; none that has no block in common with it."""
        asked = sketch_of(image)
        found = [likeness for base in self._families(asked) for likeness in self._family(asked, base)]
        found.sort(key=lambda one: (one.differing, -one.same, one.content.hex))
        return tuple(found[:count])

    def _families(self, asked: Sketch) -> list[bytes]:
        """The bases of the families that share the most marks with an image."""
        rows = self._index.base.execute("SELECT content, marks FROM sketch WHERE base IS NULL").fetchall()
        if not rows:
            return []
        sizes = [len(found) // 8 for _, found in rows]
        every = np.frombuffer(b"".join(found for _, found in rows), np.uint64)
        shared = np.bincount(
            np.repeat(np.arange(len(rows)), sizes), weights=np.isin(every, marks(asked)), minlength=len(rows)
        )
        best = np.argsort(-shared, kind="stable")[:_FAMILIES]
        return [rows[at][0] for at in best if shared[at]]

    def _family(self, asked: Sketch, base: bytes) -> Iterator[Likeness]:
        rows = self._index.base.execute("SELECT content, data FROM sketch WHERE base = ?", (base,)).fetchall()
        far, same = distances(asked, self._base(base), [Sketch.read(data) for _, data in rows])
        known = {
            raw for (raw,) in self._index.base.execute("SELECT DISTINCT content FROM entry WHERE content IS NOT NULL")
        }
        for content, differing, alike in zip((base, *(c for c, _ in rows)), far.tolist(), same.tolist(), strict=True):
            if alike and content in known:
                yield Likeness(content=Digest(hex=content.hex()), differing=differing, same=alike)
