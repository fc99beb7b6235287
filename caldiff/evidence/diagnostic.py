"""Raw diagnostic responses -> :class:`Snapshot`: SAE J1979 services 01, 03, 07, 09 and 0A, ISO 14229 service 19.

A response is its payload: no header, no length, no padding, segments put together. Layouts are from memory of the
standards. What is ambiguous is told apart so:

- Codes of services 03, 07 and 0A: behind the service an odd number of bytes is a count and so many codes, as on CAN; an
  even one is codes only, 0000 where a message was filled up. The count must be right.
- Service 09 as on CAN: a count and all items. Items of four bytes, numbered, are messages to be put together, as before
  CAN; both give the same where there is one verification number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import attrs

from caldiff.canonical import Digest
from caldiff.errors import EvidenceError
from caldiff.evidence.codes import printed_code
from caldiff.evidence.readiness import read_status
from caldiff.evidence.snapshot import Kind, Snapshot
from caldiff.evidence.uds import Record, read_records

__all__ = ["read_hex", "read_responses"]

_CODES: dict[int, Kind] = {0x43: "stored", 0x47: "pending", 0x4A: "permanent"}
_NEGATIVE, _PENDING = 0x7F, 0x78
_SERVICES = {
    0x01: "current data",
    0x03: "stored codes",
    0x07: "pending codes",
    0x09: "identity",
    0x0A: "permanent codes",
    0x19: "records",
}
_LONGEST = 4095
"""bytes of a response: what ISO 15765-2 carries in its plain form (from memory)"""
_MOST = 4096
"""responses in a file"""
_PIDS = {0x00: 4, 0x01: 4, 0x20: 4, 0x30: 1, 0x31: 2}
"""sizes of those that are understood; 00 and 20 list what there is, and are passed over"""
_ITEMS = {0x02: 17, 0x04: 16, 0x06: 4}
"""of service 09 as on CAN: VIN, calibration identification, calibration verification number"""
_MESSAGE = 4
"""bytes of an item before CAN"""
_SHORTEST = {0x41: 3, 0x49: 3, 0x59: 3}


def read_hex(text: str, *, label: str, file: Digest) -> Snapshot:
    """Responses as hexadecimal text, one a line; spaces between bytes, empty lines and comments after # are free.

    Raises:
        EvidenceError: a line is no hexadecimal, or as :func:`read_responses`; with its line.
    """
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        digits = line.partition("#")[0]
        if not digits.strip():
            continue
        try:
            found.append((str(number), bytes.fromhex("".join(digits.split()))))
        except ValueError:
            raise EvidenceError(
                "this is no response", expected="pairs of hexadecimal digits", got=repr(line.strip())[:60], line=number
            ) from None
    return read_responses(found, label=label, file=file)


def read_responses(responses: Iterable[tuple[str, bytes]], *, label: str, file: Digest) -> Snapshot:
    """The snapshot that some responses make up, each with the number of its line, or nothing.

    Raises:
        EvidenceError: one is not understood, cut off, or contradicts another; or there is none.
    """
    gathered = _Gathered()
    count = 0
    for line, data in responses:
        count += 1
        if count > _MOST:
            raise EvidenceError("the file holds more responses than a snapshot may", expected=f"at most {_MOST}")
        try:
            gathered.take(data)
        except EvidenceError as error:
            error.line = int(line) if line else None
            raise
    if not count:
        raise EvidenceError("the file holds no response")
    return gathered.snapshot(label, file)


@attrs.define(eq=False)
class _Gathered:
    """What the responses say so far."""

    facts: dict[str, Any] = attrs.Factory(dict)
    codes: dict[Kind, dict[str, None]] = attrs.Factory(dict)
    records: dict[str, int] = attrs.Factory(dict)
    identity: dict[int, list[bytes]] = attrs.Factory(dict)
    messages: dict[int, dict[int, bytes]] = attrs.Factory(dict)
    notes: dict[str, None] = attrs.Factory(dict)

    def take(self, data: bytes) -> None:
        if len(data) > _LONGEST:
            raise EvidenceError("the response is too long", expected=f"at most {_LONGEST} bytes", got=f"{len(data)}")
        service = data[0] if data else 0
        if len(data) < _SHORTEST.get(service, 1):
            raise _cut(data)
        if service in _CODES:
            self._codes(_CODES[service], data)
        elif service in _READERS:
            _READERS[service](self, data)
        else:
            raise EvidenceError(
                "this is no response that a snapshot is made of",
                expected="one that begins with 41, 43, 47, 49, 4A, 59 or 7F",
                got=_shown(data),
                hint="give the payloads only: no header, no length byte, no padding, segments put together",
            )

    def _codes(self, kind: Kind, data: bytes) -> None:
        body = data[1:]
        counted = len(body) % 2 == 1
        codes = body[1:] if counted else body
        if counted and body[0] != len(codes) // 2:
            raise EvidenceError(
                "the count is not that of the codes",
                expected=f"{len(codes) // 2}",
                got=f"{body[0]} in {_shown(data)}",
                hint="give the payload without padding",
            )
        if not body:
            raise _cut(data)
        pieces = [codes[at : at + 2] for at in range(0, len(codes), 2)]
        found = self.codes.setdefault(kind, {})
        found.update(dict.fromkeys(printed_code(piece) for piece in pieces if any(piece)))

    def _current(self, data: bytes) -> None:
        """Service 01: one parameter after the other, each with its number in front."""
        at = 1
        while at < len(data):
            pid = data[at]
            if pid not in _PIDS:
                self.notes[f"service 01 PID {pid:02X} and what stands behind it is not read"] = None
                return
            value = data[at + 1 : at + 1 + _PIDS[pid]]
            if len(value) < _PIDS[pid]:
                raise _cut(data)
            at += 1 + _PIDS[pid]
            if pid == 0x01:
                status = read_status(value)
                self._set("the status", status=(status.lamp, status.count, status.readiness))
            elif pid == 0x30:  # noqa: PLR2004 - a name would say no more than the next line
                self._set("the warm-ups since clearing", warm_ups=value[0])
            elif pid == 0x31:  # noqa: PLR2004 - as above
                self._set("the distance since clearing", distance=int.from_bytes(value, "big"))

    def _set(self, what: str, **fact: Any) -> None:
        ((key, value),) = fact.items()
        if self.facts.setdefault(key, value) != value:
            raise EvidenceError(
                f"{what} is given twice, and differs",
                hint="several controllers answered, or these are two snapshots: keep each in a file of its own",
            )

    def _vehicle(self, data: bytes) -> None:
        """Service 09."""
        item, number, body = data[1], data[2], data[3:]
        size = _ITEMS.get(item)
        if size is None:
            self.notes[f"service 09 item {item:02X} is not read"] = None
        elif number and len(body) == number * size:
            pieces = self.identity.setdefault(item, [])
            pieces += (piece for at in range(0, len(body), size) if (piece := body[at : at + size]) not in pieces)
        elif number and len(body) == _MESSAGE:
            known = self.messages.setdefault(item, {})
            if known.setdefault(number, body) != body:
                raise EvidenceError("a message is given twice, and differs", got=_shown(data))
        else:
            raise EvidenceError(
                "the response is not as long as it says",
                expected=f"{number} times {size} bytes, or a message of {_MESSAGE}",
                got=f"{len(body)} in {_shown(data)}",
            )

    def _records(self, data: bytes) -> None:
        """Service 19."""
        found = read_records(data[2:]) if data[1] == 0x02 else None  # noqa: PLR2004 - by status mask
        if data[1] != 0x02:  # noqa: PLR2004 - as above
            raise EvidenceError("only subfunction 02 of service 19 is read", got=_shown(data))
        if found is None:
            raise _cut(data)
        known, records = found
        self._set("the mask of known status bits", known=known)
        for record in records:
            self._record(record)
        self.facts["records"] = True

    def _record(self, record: Record) -> None:
        if self.records.setdefault(record.code, record.status) != record.status:
            raise EvidenceError(f"{record.code} is given twice, with different status")

    def _refused(self, data: bytes) -> None:
        """A negative response: what was asked stays unknown."""
        if len(data) != 3:  # noqa: PLR2004 - service and reason
            raise _cut(data)
        if data[2] != _PENDING:
            what = _SERVICES.get(data[1], "something")
            self.notes[f"the vehicle refused to tell: {what} (service {data[1]:02X}, reason {data[2]:02X})"] = None

    def snapshot(self, label: str, file: Digest) -> Snapshot:
        lamp, count, readiness = self.facts.get("status", (None, None, None))
        lists = {kind: tuple(codes) for kind, codes in self.codes.items()}
        vins = [_readable(piece) for piece in self._items(0x02)]
        if len(vins) > 1:
            raise EvidenceError("the responses are of several vehicles: their VIN differs")
        records = tuple(Record(code=code, status=status) for code, status in self.records.items())
        return Snapshot(
            label=label,
            file=file,
            vin=vins[0] if vins else None,
            calibration_ids=tuple(map(_readable, self._items(0x04))),
            cvns=tuple(piece.hex().upper() for piece in self._items(0x06)),
            lamp=lamp,
            count=count,
            stored=lists.get("stored"),
            pending=lists.get("pending"),
            permanent=lists.get("permanent"),
            records=records if "records" in self.facts else None,
            known=self.facts.get("known", 0xFF),
            readiness=readiness,
            distance=self.facts.get("distance"),
            warm_ups=self.facts.get("warm_ups"),
            notes=tuple(self.notes),
        )

    def _items(self, item: int) -> list[bytes]:
        """All of one kind: those that came whole, and those put together from messages."""
        messages = self.messages.get(item, {})
        if sorted(messages) != list(range(1, len(messages) + 1)):
            got = ", ".join(map(str, sorted(messages)))
            raise EvidenceError("a message of an identity is missing", expected=f"1 to {max(messages)}", got=got)
        body = b"".join(messages[number] for number in sorted(messages))
        size = _ITEMS[item]
        if item == 0x02:  # noqa: PLR2004 - the VIN, filled up in front
            pieces = [body.lstrip(b"\x00")] if body else []
        else:
            pieces = [body[at : at + size] for at in range(0, len(body), size)]
        if any(len(piece) != size for piece in pieces):
            raise EvidenceError(
                "a message of an identity is missing", expected=f"{size} bytes", got=f"{len(pieces[-1])}"
            )
        return list(dict.fromkeys([*self.identity.get(item, []), *pieces]))


_READERS: dict[int, Callable[[_Gathered, bytes], None]] = {
    0x41: _Gathered._current,  # noqa: SLF001 - of this module
    0x49: _Gathered._vehicle,  # noqa: SLF001 - as above
    0x59: _Gathered._records,  # noqa: SLF001 - as above
    _NEGATIVE: _Gathered._refused,  # noqa: SLF001 - as above
}


def _readable(data: bytes) -> str:
    text = data.strip(b"\x00 ").decode("latin-1")
    return "".join(c if c.isascii() and c.isprintable() else f"\\x{ord(c):02X}" for c in text)


def _cut(data: bytes) -> EvidenceError:
    return EvidenceError("the response is cut off, or has bytes too many", got=_shown(data))


def _shown(data: bytes) -> str:
    return data[:16].hex(" ").upper() + (" ..." if len(data) > 16 else "") or "nothing"  # noqa: PLR2004 - enough to see
