"""What the entries of a vault hold, to be asked by digest: an SQLite database in the user's cache folder.

It is a cache and proves nothing. It is made anew from the entries' files at any time; whoever tells somebody of a hit
reads the entry itself first (:meth:`Index.confirmed`). What is asked is up to date: the folders of the units are listed
each time, and an entry whose file is new or not as it was is read.
"""

from __future__ import annotations

import os
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError, LedgerError
from caldiff.value import Value
from caldiff.vault.files import place, trouble
from caldiff.vault.snapshot import Snapshot

if TYPE_CHECKING:
    from caldiff.ledger.entry import Entry, ImageFacts
    from caldiff.vault.vault import Vault

__all__ = ["Hit", "Index", "Progress", "Role"]

Progress = Callable[[int, int], None]
Stamps = dict[int, tuple[int, int]]
"""sequence number to size and time of change of the entry's file"""

_FORM = b"caldiff index 1\n"
"""16 bytes. Another schema is another form: a database in an older one is not looked into but made anew."""
_SCHEMA = """
CREATE TABLE entry (
  id INTEGER PRIMARY KEY, unit TEXT NOT NULL, sequence INTEGER NOT NULL,
  bytes INTEGER NOT NULL, changed INTEGER NOT NULL, trouble TEXT,
  kind TEXT, time TEXT, hash BLOB, previous BLOB, of BLOB, parent BLOB, baseline BLOB,
  file BLOB, format TEXT, start INTEGER, content BLOB, stable BLOB, definition BLOB,
  UNIQUE (unit, sequence));
CREATE INDEX entry_content ON entry (content) WHERE content IS NOT NULL;
CREATE INDEX entry_stable ON entry (stable) WHERE stable IS NOT NULL;
CREATE TABLE file (digest BLOB NOT NULL, entry INTEGER NOT NULL, role TEXT NOT NULL, name TEXT NOT NULL);
CREATE INDEX file_digest ON file (digest);
CREATE INDEX file_entry ON file (entry);
CREATE TABLE name (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE);
CREATE TABLE cells (
  name INTEGER NOT NULL, entry INTEGER NOT NULL, against TEXT NOT NULL, cells INTEGER NOT NULL,
  PRIMARY KEY (name, entry, against)) WITHOUT ROWID;
CREATE INDEX cells_entry ON cells (entry);
CREATE TABLE volatile (definition BLOB PRIMARY KEY, regions TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE sketch (content BLOB PRIMARY KEY, base BLOB, marks BLOB, data BLOB NOT NULL) WITHOUT ROWID;
CREATE INDEX sketch_base ON sketch (base);
"""
"""``entry.bytes`` and ``changed`` are size and time of its file; ``trouble`` says why it could not be read. ``cells``:
how many cells of a table an entry changed against its parent, its baseline, or the entry that it is of. ``volatile``:
the volatile regions of a definition, as the trace room keeps them; ``sketch``: see :mod:`caldiff.vault.alike`."""
_TABLES = "SELECT name, sql FROM sqlite_schema ORDER BY name"
_OFTEN = 2000
"""entries read between two savings"""

Role = str
"""What a file is to an entry: a ``subject``, a file of the ``definition``, or something that it was ``made from``."""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Hit(Value):
    """An entry that the index knows. ``role`` and ``name`` are those of the file that was asked for."""

    unit: str
    sequence: int
    hash: Digest
    role: Role = "subject"
    name: str = ""


class Index:
    """What the entries of a vault hold. Make one with :meth:`open`, then :meth:`update` it."""

    def __init__(self, vault: Vault, snapshot: Snapshot | None) -> None:
        self.vault = vault
        self._snapshot = snapshot
        self.base = _opened(None if snapshot is None else snapshot.load())

    @classmethod
    def open(cls, cache_folder: str | os.PathLike[str] | None, vault: Vault) -> Index:
        """The index of a vault, kept in a folder of the user's; in memory only where that is None or cannot be used."""
        place = os.path.realpath(vault.folder)
        name = f"{vault.id}-{Digest.of(os.fsencode(place)).hex[:8]}.index"
        return cls(vault, None if cache_folder is None else Snapshot.at(Path(cache_folder), name, _FORM))

    def save(self) -> bool:
        """Keep what was learned for the next time; say whether that could be done."""
        return self._snapshot is not None and self._snapshot.save(self.base.serialize())

    # ------------------------------------------------------------------------------------------------------ freshness

    def update(self, progress: Progress | None = None) -> None:
        """Take in what is new or has changed since. An entry that cannot be read is noted, see :meth:`troubled`.

        Raises:
            VaultError: the vault's folders cannot be listed.
        """
        units = {unit: _listed(self.vault.folder, unit) for unit in self.vault.units()}
        try:
            self._take(units, progress)
        except sqlite3.Error:  # a database that is sealed and yet no good: nothing in it is worth an error
            self.base = _opened(None)
            self._take(units, progress)

    def _take(self, units: dict[str, Stamps], progress: Progress | None) -> None:
        new = list(self._unread(units))
        for done, (unit, sequence, stamp) in enumerate(new):
            if progress is not None:
                progress(done, len(new))
            if done % _OFTEN == _OFTEN - 1:
                self.save()
            self._read(unit, sequence, stamp)
        if new and progress is not None:
            progress(len(new), len(new))
        if new or self.base.total_changes:
            self.save()

    def _unread(self, units: dict[str, Stamps]) -> Iterator[tuple[str, int, tuple[int, int]]]:
        """The entries to be read; what is not there any more, or not as it was, is forgotten unit by unit."""
        known: dict[str, Stamps] = defaultdict(dict)
        for unit, sequence, size, changed in self.base.execute("SELECT unit, sequence, bytes, changed FROM entry"):
            known[unit][sequence] = size, changed
        for unit, files in units.items():
            before = known.pop(unit, {})
            if before == files:
                continue
            if not before.items() <= files.items():
                self.forget(unit)
                before = {}
            yield from ((unit, sequence, files[sequence]) for sequence in sorted(files.keys() - before.keys()))
        for unit in known:
            self.forget(unit)

    def forget(self, unit: str) -> None:
        """Take out all that is known of a unit; the next update reads it again."""
        for table in ("file", "cells"):
            self.base.execute(f"DELETE FROM {table} WHERE entry IN (SELECT id FROM entry WHERE unit = ?)", (unit,))  # noqa: S608 - one of two names
        self.base.execute("DELETE FROM entry WHERE unit = ?", (unit,))

    def _read(self, unit: str, sequence: int, stamp: tuple[int, int]) -> None:
        try:
            entry = _entry(self.vault, unit, sequence)
        except CaldiffError as error:
            self.base.execute(
                "INSERT INTO entry (unit, sequence, bytes, changed, trouble) VALUES (?, ?, ?, ?, ?)",
                (unit, sequence, *stamp, error.reason),
            )
            return
        row = {"unit": unit, "sequence": sequence, "bytes": stamp[0], "changed": stamp[1], **_facts(entry)}
        marks = ", ".join("?" * len(row))
        made = self.base.execute(f"INSERT INTO entry ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))  # noqa: S608 - our names
        files = ((bytes.fromhex(file.hex), made.lastrowid, role, name) for file, role, name in _files(entry))
        self.base.executemany("INSERT INTO file VALUES (?, ?, ?, ?)", files)
        for table, against, count in _cells(entry):
            self.base.execute("INSERT OR IGNORE INTO name (text) VALUES (?)", (table,))
            self.base.execute(
                "INSERT INTO cells SELECT id, ?, ?, ? FROM name WHERE text = ?",
                (made.lastrowid, against, count, table),
            )

    # -------------------------------------------------------------------------------------------------------- questions

    def by_file(self, file: Digest) -> tuple[Hit, ...]:
        """Entries that name the very file, whatever it is; first those of which it is a subject."""
        where = "JOIN file ON file.entry = entry.id WHERE digest = ?"
        hits = self._hits(where, file, "role, name")
        return tuple(sorted(hits, key=lambda hit: hit.role != "subject"))

    def by_content(self, content: Digest) -> tuple[Hit, ...]:
        """Entries with an image that holds the same bytes at the same addresses."""
        return self._hits("WHERE content = ?", content)

    def by_stable(self, stable: Digest) -> tuple[Hit, ...]:
        """Entries with an image that holds the same, volatile regions aside."""
        return self._hits("WHERE stable = ?", stable)

    def by_definition(self, definition: Digest) -> tuple[Hit, ...]:
        """Entries with an image that was read by the definition."""
        return self._hits("WHERE definition = ?", definition)

    def _hits(self, where: str, digest: Digest, columns: str = "'subject', ''") -> tuple[Hit, ...]:
        query = f"SELECT unit, sequence, hash, {columns} FROM entry {where} ORDER BY unit, sequence"  # noqa: S608 - our words
        return tuple(
            Hit(unit=unit, sequence=sequence, hash=Digest(hex=hash_.hex()), role=role, name=name)
            for unit, sequence, hash_, role, name in self.base.execute(query, (bytes.fromhex(digest.hex),))
        )

    def confirmed(self, hit: Hit) -> Entry | None:
        """The entry itself, read from the vault; None where it is not, or no longer, what the index knew."""
        with suppress(CaldiffError):
            entry = _entry(self.vault, hit.unit, hit.sequence)
            return entry if entry.hash == hit.hash else None
        return None

    def by_hash(self, unit: str, entry: Digest) -> Hit | None:
        """The entry of a unit that has the hash."""
        found = self._hits("WHERE hash = ?", entry)
        return next((hit for hit in found if hit.unit == unit), None)

    def newest(self, unit: str, kind: str) -> int | None:
        """The number of the unit's newest entry of a kind."""
        query = "SELECT max(sequence) FROM entry WHERE unit = ? AND kind = ?"
        found: int | None = self.base.execute(query, (unit, kind)).fetchone()[0]
        return found

    def starts(self) -> tuple[int, ...]:
        """Where kept images start: a raw binary does not say itself where it belongs."""
        query = "SELECT DISTINCT start FROM entry WHERE start IS NOT NULL ORDER BY start"
        return tuple(start for (start,) in self.base.execute(query))

    def troubled(self) -> tuple[tuple[str, int], ...]:
        """Units of which entries are missing or cannot be read, and how many at least."""
        query = """SELECT unit, max(sequence) + 1 - count(*) + count(trouble) AS lost FROM entry
                   GROUP BY unit HAVING lost > 0 ORDER BY unit"""
        return tuple(self.base.execute(query))

    # ---------------------------------------------------------------------------------- what is learned on the way

    def volatile(self) -> tuple[tuple[int, Digest, str | None], ...]:
        """Where images with a stable digest start, the definition of that, and what was kept of it; None: not yet."""
        query = """SELECT DISTINCT start, entry.definition, regions FROM entry LEFT JOIN volatile USING (definition)
                   WHERE stable IS NOT NULL AND entry.definition IS NOT NULL ORDER BY start, entry.definition"""
        found = self.base.execute(query)
        return tuple((start, Digest(hex=definition.hex()), regions) for start, definition, regions in found)

    def keep_volatile(self, definition: Digest, regions: str) -> None:
        """Keep the volatile regions of a definition, in whatever form."""
        self.base.execute("INSERT OR REPLACE INTO volatile VALUES (?, ?)", (bytes.fromhex(definition.hex), regions))


def _opened(body: memoryview | None) -> sqlite3.Connection:
    """The database of a snapshot, or an empty one. Each statement is its own transaction: it is all in memory."""
    empty = sqlite3.connect(":memory:", isolation_level=None)
    empty.executescript(_SCHEMA)
    if not body:
        return empty
    with suppress(sqlite3.Error):
        base = sqlite3.connect(":memory:", isolation_level=None)
        base.deserialize(body)
        if base.execute(_TABLES).fetchall() == empty.execute(_TABLES).fetchall():
            return base
    return empty


def _listed(folder: str, unit: str) -> Stamps:
    """Size and time of change of every entry of a unit.

    Raises:
        VaultError: the folder cannot be read.
    """
    path = place(folder, f"units/{unit}")
    found = {}
    try:
        with os.scandir(path) as listing:
            for one in listing:
                number = one.name[:6]
                if one.name[6:] == ".json.gz" and number.isascii() and number.isdecimal():
                    about = one.stat(follow_symlinks=False)
                    found[int(number)] = about.st_size, about.st_mtime_ns
    except OSError as error:
        raise trouble("the folder cannot be read", path, error) from error
    return found


def _entry(vault: Vault, unit: str, sequence: int) -> Entry:
    """An entry, from its file.

    Raises:
        VaultError, LedgerError: it cannot be read, or is not of this place.
    """
    from caldiff.ledger.envelope import read_envelope  # noqa: PLC0415 - not where nothing is new and nothing found
    from caldiff.ledger.statement import read_entry  # noqa: PLC0415 - as above

    entry = read_entry(read_envelope(vault.envelope(unit, sequence)).payload)
    if (entry.unit, entry.sequence) != (unit, sequence):
        raise LedgerError("the entry stands in another's place", got=f"entry {entry.sequence} of {entry.unit}")
    return entry


# ------------------------------------------------------------------------------------------------- what an entry holds


def _facts(entry: Entry) -> dict[str, str | int | bytes | None]:
    """The columns of an entry."""
    refs = {name: _raw(getattr(entry.body, name, None)) for name in ("of", "parent", "baseline")}
    row = {"kind": entry.kind, "time": entry.draft.time, "hash": _raw(entry.hash), "previous": _raw(entry.previous)}
    return {**row, **refs, "file": _raw(entry.file), **({} if entry.image is None else _image(entry.image))}


def _image(image: ImageFacts) -> dict[str, str | int | bytes | None]:
    return {
        "format": image.format,
        "start": image.start,
        "content": _raw(image.content),
        "stable": _raw(image.stable),
        "definition": None if image.definition is None else _raw(image.definition.digest),
    }


def _raw(digest: Digest | None) -> bytes | None:
    return None if digest is None else bytes.fromhex(digest.hex)


def _files(entry: Entry) -> Iterator[tuple[Digest, Role, str]]:
    """Every file that an entry names."""
    yield from ((one.file, "subject", one.name) for one in entry.draft.subjects)
    if entry.image is not None and entry.image.definition is not None:
        yield from ((one.file, "definition", one.name) for one in entry.image.definition.files)
    yield from ((one.file, "made from", one.name) for one in getattr(entry.body, "made_from", ()))


def _cells(entry: Entry) -> Iterator[tuple[str, str, int]]:
    """Every table that an entry changed, against what, and how many of its cells."""
    other = "of" if entry.kind == "readback" else "baseline"
    for attribute, against in (("changes", other), ("against_parent", "parent"), ("against_baseline", "baseline")):
        changes = getattr(entry.body, attribute, None)
        if changes is not None:
            yield from ((table, against, count) for table, count in changes.tables)
