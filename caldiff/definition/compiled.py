"""The compiled form: a definition's normal form as sealed bytes, opened without reading its tables.

Every definition goes this way, those that are made in memory too: normal form -> :func:`compile_normal` ->
:func:`open_compiled`. ``docs/compiled-form.md`` describes the bytes.
"""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import attrs

from caldiff.canonical import Digest, canonical_json
from caldiff.definition.definition import Definition, Touched
from caldiff.definition.index import PlaceArrays, numbers, packed, place_arrays
from caldiff.definition.model import TYPES, Axis, Scaling, TableSpec
from caldiff.definition.normal import (
    Normal,
    axis_from_normal,
    fit_from_normal,
    frame_from_normal,
    identity_from_normal,
    region_from_normal,
    scaling_from_normal,
    table_from_normal,
)
from caldiff.definition.pages import Buffer, DamagedError, Pages, sealed
from caldiff.errors import CaldiffError, DefinitionError

if TYPE_CHECKING:
    from caldiff.definition.checksums import Checksum

__all__ = ["FORM", "Opened", "Records", "Source", "compile_family", "compile_normal", "open_any", "open_compiled"]

FORM = 2
"""counts up whenever the bytes or their meaning change"""

Source = tuple[str, str]
"""a file that the definition came from: its name in ``extends`` and its digest in hexadecimal; the own file first"""

T = TypeVar("T")

_SECTIONS = ("scalings", "axes", "tables")
_LARGEST_ADDRESS = 2**63 - 1
_encoded = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False).encode


# ------------------------------------------------------------------------------------------------------- compiling


class _Body:
    """Bytes that grow section by section; each starts at a multiple of eight."""

    def __init__(self) -> None:
        self.data = bytearray(8)
        self.places: dict[str, tuple[int, int]] = {}

    def add(self, name: str, data: bytes) -> None:
        self.data += bytes(-len(self.data) % 8)
        self.places[name] = (len(self.data), len(data))
        self.data += data

    def add_texts(self, name: str, texts: Sequence[bytes]) -> None:
        ends, end = [0], 0
        for text in texts:
            end += len(text)
            ends.append(end)
        self.add(f"{name}.ends", packed("I", ends))
        self.add(name, b"".join(texts))

    def sealed(self, head: Normal, key: bytes) -> bytes:
        self.add("head", json.dumps(head, ensure_ascii=False, separators=(",", ":")).encode())
        self.data[:8] = packed("I", self.places["head"])
        return sealed(bytes(self.data), key)


def compile_normal(normal: Normal, sources: Iterable[Source] = (), *, key: bytes = b"") -> bytes:
    """The compiled form of a normal form, sealed with the key.

    Raises:
        DefinitionError: an address that no 63 bits hold.
    """
    from caldiff.definition.uncollected import uncollected  # noqa: PLC0415 - opening does without

    with uncollected():
        return _compiled(normal, sources, key)


def _compiled(normal: Normal, sources: Iterable[Source], key: bytes) -> bytes:
    names = {section: sorted(normal.get(section, ())) for section in _SECTIONS}
    records = {section: [_encoded(normal[section][name]).encode() for name in names[section]] for section in _SECTIONS}
    body = _Body()
    for section in _SECTIONS:
        body.add_texts(f"{section}.names", [name.encode() for name in names[section]])
        body.add_texts(section, records[section])
    layers, code = _add_places(body, normal, names)
    _add_users(body, normal, names)
    _add_aliases(body, normal, names["tables"])
    head = {key_: value for key_, value in normal.items() if key_ not in _SECTIONS}
    head |= {
        "form": FORM,
        "digest": _digest(normal, names, records),
        "sources": [list(source) for source in sources],
        "places": body.places,
        "layers": layers,
        "code": code,
    }
    return body.sealed(head, key)


def compile_family(sources: Iterable[Source], *, key: bytes = b"") -> bytes:
    """The compiled form of a family: that it is one, and the files that say so."""
    return _Body().sealed({"form": FORM, "family": True, "sources": [list(source) for source in sources]}, key)


def _digest(normal: Normal, names: Mapping[str, Sequence[str]], records: Mapping[str, Sequence[bytes]]) -> str:
    """SHA-256 of the canonical JSON of the normal form without its name.

    The records are parts of that JSON already: where every name is its own JSON text, they are spliced in rather than
    encoded once more.
    """
    meaning = {key: value for key, value in normal.items() if key != "name" and value not in ({}, [], "")}
    letters = "".join(name for section in _SECTIONS for name in names[section])
    if not (letters.isascii() and letters.isprintable()) or set(letters) & set('"\\'):
        return Digest.of(canonical_json(meaning)).hex
    state = sha256()
    for count, key in enumerate(sorted(meaning)):
        state.update(b'%c"%b":' % (b"{,"[count > 0], key.encode()))
        if key in _SECTIONS:
            pairs = zip(names[key], records[key], strict=True)
            state.update(b"{" + b",".join([b'"%b":%b' % (name.encode(), record) for name, record in pairs]) + b"}")
        else:
            state.update(canonical_json(meaning[key]))
    state.update(b"}")
    return state.hexdigest()


def _hull(cells: Normal) -> tuple[int, int]:
    """``Cells.hull`` of cells in normal form."""
    low = high = int(cells["at"])
    for count, stride in zip(cells.get("shape", ()), cells.get("strides", ()), strict=True):
        if stride < 0:
            low += (count - 1) * stride
        else:
            high += (count - 1) * stride
    return low, high + TYPES[cells["type"]].size


def _axis_spans(axis: Normal) -> list[tuple[int, int]]:
    """The intervals of a stored axis: its breakpoints and its count; none for a fixed axis."""
    if "cells" not in axis:
        return []
    spans = [_hull(axis["cells"])]
    if "count" in axis:
        at = int(axis["count"]["at"])
        spans.append((at, at + TYPES[axis["count"]["type"]].size))
    return spans


def _table_spans(table: Normal) -> list[tuple[int, int]]:
    """The intervals of a table and its own axes; with a record, the one of the whole record."""
    spans = [_hull(table["cells"])]
    for axis in table.get("axes", ()):
        if not isinstance(axis, str):
            spans += _axis_spans(axis)
    if "record" in table:
        return [(min(start for start, _ in spans), max(stop for _, stop in spans))]
    return spans


def _add_places(body: _Body, normal: Normal, names: Mapping[str, Sequence[str]]) -> tuple[list[int], str]:
    """Index the addresses; items are the tables by name, then the shared axes by name."""
    tables, axes = names["tables"], names["axes"]
    spans = [_table_spans(normal["tables"][name]) for name in tables]
    spans += [_axis_spans(normal["axes"][name]) for name in axes]
    for name, intervals in (*zip([*tables, *axes], spans, strict=True), *_declared_spans(normal)):
        for start, stop in intervals:
            if start < 0 or stop > _LARGEST_ADDRESS:
                problem = CaldiffError(f"{name} reaches an address that no image has", got=f"{start} to {stop}")
                raise DefinitionError([problem])
    arrays = place_arrays(spans)
    code = "I" if max(arrays.stops, default=0) < 1 << 32 else "Q"
    body.add("starts", packed(code, arrays.starts))
    body.add("stops", packed(code, arrays.stops))
    body.add("ranks", packed("I", arrays.ranks))
    body.add("items", packed("I", arrays.items))
    return list(arrays.layers), code


def _declared_spans(normal: Normal) -> Iterator[tuple[str, list[tuple[int, int]]]]:
    """Identity fields, regions and checksums: those that comparisons lay beside differing bytes."""

    def span(item: Normal, key: str = "at") -> tuple[int, int]:
        return int(item[key]), int(item[key]) + int(item["size"])

    for name, field in normal.get("identity", {}).items():
        yield name, [span(field)]
    for region in normal.get("regions", ()):
        yield region["name"], [span(region, "start")]
    for checksum in normal.get("checksums", ()):
        covered = [span(part, "start") for key in ("spans", "skip") for part in checksum.get(key, ())]
        yield checksum["name"], covered + [span(field) for field in checksum["fields"]]


def _add_users(body: _Body, normal: Normal, names: Mapping[str, Sequence[str]]) -> None:
    """Index the tables that hang on each shared axis."""
    users: dict[str, list[int]] = {name: [] for name in names["axes"]}
    for number, name in enumerate(names["tables"]):
        for axis in normal["tables"][name].get("axes", ()):
            if isinstance(axis, str) and users[axis][-1:] != [number]:
                users[axis].append(number)
    body.add_texts("users", [packed("I", users[name]) for name in names["axes"]])


def _add_aliases(body: _Body, normal: Normal, tables: Sequence[str]) -> None:
    """Index the aliases that lead to one table only and are no table's name."""
    claims: dict[str, set[int]] = {}
    for number, name in enumerate(tables):
        for alias in normal["tables"][name].get("aliases", ()):
            claims.setdefault(alias, set()).add(number)
    clear = sorted(alias for alias, by in claims.items() if len(by) == 1 and alias not in normal["tables"])
    body.add_texts("aliases", [alias.encode() for alias in clear])
    body.add("aliased", packed("I", (number for alias in clear for number in claims[alias])))


# --------------------------------------------------------------------------------------------------------- opening


class _Texts:
    """Texts of one section, read one by one."""

    def __init__(self, pages: Pages, places: Mapping[str, tuple[int, int]], name: str) -> None:
        self._pages = pages
        self._ends, size = places[f"{name}.ends"]
        self._at, _ = places[name]
        self._count = size // 4 - 1

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, number: int) -> bytes:
        if not 0 <= number < self._count:
            raise IndexError(number)
        at = self._ends + 4 * number
        start, stop = numbers("I", self._pages.view(at, at + 8))
        return bytes(self._pages.view(self._at + start, self._at + stop))

    def __iter__(self) -> Iterator[bytes]:
        ends = numbers("I", self._pages.view(self._ends, self._ends + 4 * (self._count + 1)))
        whole = bytes(self._pages.view(self._at, self._at + ends[-1]))
        start = 0
        for stop in ends[1:]:
            yield whole[start:stop]
            start = stop

    def find(self, text: str) -> int | None:
        """The number of a text; the texts are sorted."""
        wanted = text.encode(errors="surrogatepass")
        number = bisect_left(range(self._count), wanted, key=self.__getitem__)
        return number if number < self._count and self[number] == wanted else None


class Records(Mapping[str, T], Generic[T]):
    """Named items of a definition, each made from its record when first asked for; in order of name."""

    def __init__(self, names: _Texts, records: _Texts, make: Callable[[str, Normal], T]) -> None:
        self._names = names
        self._records = records
        self._make = make
        self._made: dict[str, T] = {}

    def __getitem__(self, name: str) -> T:
        if name not in self._made:
            self._made[name] = self._make(name, json.loads(self.record(name)))
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return (name.decode() for name in self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __contains__(self, name: object) -> bool:
        return isinstance(name, str) and (name in self._made or self._names.find(name) is not None)

    def record(self, name: str) -> bytes:
        """The canonical JSON of an item's normal form.

        Raises:
            KeyError: nothing has that name.
        """
        number = self._names.find(name)
        if number is None:
            raise KeyError(name)
        return self._records[number]

    def records(self) -> dict[str, bytes]:
        """The canonical JSON of every item."""
        return dict(zip(self, self._records, strict=True))


class _Checksums(Mapping[str, "Checksum"]):
    """The checksums, made when first asked for: a short run asks for none, and their classes take a while to make."""

    def __init__(self, items: Iterable[Normal]) -> None:
        self._items = {item["name"]: item for item in items}
        self._made: dict[str, Checksum] = {}

    def __getitem__(self, name: str) -> Checksum:
        if name not in self._made:
            from caldiff.definition.checksum_normal import checksum_from_normal  # noqa: PLC0415 - see above

            self._made[name] = checksum_from_normal(self._items[name])
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)


class _Places:
    """The ``PlaceIndex`` of a compiled definition."""

    def __init__(self, pages: Pages, head: Mapping[str, Any], tables: _Texts, axes: _Texts) -> None:
        self._pages, self._head, self._tables, self._axes = pages, head, tables, axes
        self._users = _Texts(pages, head["places"], "users")
        self._aliases = _Texts(pages, head["places"], "aliases")
        self._arrays: PlaceArrays | None = None

    def _numbers(self, name: str, code: str = "I") -> Sequence[int]:
        at, size = self._head["places"][name]
        return numbers(code, self._pages.view(at, at + size))

    def touching(self, extents: Sequence[tuple[int, int]]) -> Touched:
        if self._arrays is None:
            code = self._head["code"]
            self._arrays = PlaceArrays(
                starts=self._numbers("starts", code),
                stops=self._numbers("stops", code),
                ranks=self._numbers("ranks"),
                layers=self._head["layers"],
                items=self._numbers("items"),
            )
        items = self._arrays.touching(extents)
        first = len(self._tables)
        return Touched(
            tables=tuple(self._tables[item].decode() for item in items if item < first),
            axes=tuple(self._axes[item - first].decode() for item in items if item >= first),
        )

    def tables_on(self, axis: str) -> tuple[str, ...]:
        number = self._axes.find(axis)
        if number is None:
            return ()
        return tuple(self._tables[n].decode() for n in numbers("I", memoryview(self._users[number])))

    def alias(self, name: str) -> str | None:
        number = self._aliases.find(name)
        return None if number is None else self._tables[self._numbers("aliased")[number]].decode()


def _head(pages: Pages) -> dict[str, Any]:
    at, size = numbers("I", pages.view(0, 8))
    head: dict[str, Any] = json.loads(bytes(pages.view(at, at + size)))
    if head["form"] != FORM:
        raise DamagedError("the compiled definition is of another version", expected=str(FORM), got=str(head["form"]))
    return head


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Opened:
    """A compiled form: the files that it came from, and the definition; None for a family."""

    sources: tuple[Source, ...]
    definition: Definition | None


def open_any(buffer: Buffer, *, key: bytes = b"", rebuild: Callable[[], bytes] | None = None) -> Opened:
    """A definition or a family in compiled bytes. Raises like :func:`open_compiled`."""
    pages = Pages(buffer, key, rebuild)
    try:
        head = _head(pages)
        sources = tuple((name, digest) for name, digest in head["sources"])
        return Opened(sources=sources, definition=None if "family" in head else _definition(pages, head))
    except (ArithmeticError, LookupError, TypeError, ValueError) as error:
        raise DamagedError("the compiled definition says what none can say") from error


def open_compiled(buffer: Buffer, *, key: bytes = b"", rebuild: Callable[[], bytes] | None = None) -> Definition:
    """The definition in compiled bytes (or a read-only mmap of them), its tables unread.

    ``rebuild`` gives the compiled bytes anew where a part turns out damaged later, when it is first read.

    Raises:
        DamagedError: the bytes are not as they were written, or not by somebody with this key.
    """
    definition = open_any(buffer, key=key, rebuild=rebuild).definition
    if definition is None:
        raise DamagedError("this is the compiled form of a family")
    return definition


def _definition(pages: Pages, head: Mapping[str, Any]) -> Definition:
    texts = {name: _Texts(pages, head["places"], name) for s in _SECTIONS for name in (s, f"{s}.names")}
    scalings: Records[Scaling] = Records(texts["scalings.names"], texts["scalings"], scaling_from_normal)
    axes: Records[Axis] = Records(
        texts["axes.names"], texts["axes"], lambda name, item: axis_from_normal(name, item, scalings, shared=True)
    )
    tables: Records[TableSpec] = Records(
        texts["tables.names"], texts["tables"], lambda name, item: table_from_normal(name, item, axes, scalings)
    )
    return Definition(
        name=head["name"],
        digest=Digest(hex=head["digest"]),
        frame=frame_from_normal(head["image"]),
        title=head.get("title", ""),
        fits=tuple(fit_from_normal(item) for item in head.get("fits", ())),
        identity={name: identity_from_normal(name, item) for name, item in head.get("identity", {}).items()},
        regions=tuple(region_from_normal(item) for item in head.get("regions", ())),
        checksums=_Checksums(head.get("checksums", ())),
        scalings=scalings,
        axes=axes,
        tables=tables,
        index=_Places(pages, head, texts["tables.names"], texts["axes.names"]),
    )
