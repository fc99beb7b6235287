"""Snapshots of a fault memory as files: a small YAML or JSON document, or raw diagnostic responses.

::

    snapshot: 1
    taken: 2026-03-12T07:25:00Z
    identity: {vin: 00WREN4V5N0000017, calibration_id: W4-BIFUEL, cvn: 4711ABCD}
    lamp: true
    stored: [P0171]
    pending: []
    permanent: [P0171]
    records: {P0420-00: [confirmed, lamp], P0133-00: 0x50}
    readiness: {ignition: spark, complete: [misfire, catalyst], incomplete: [evaporative]}
    since_clearing: {distance: 1204, warm_ups: 37}
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from os import PathLike, fspath
from typing import Any, Literal

from caldiff.canonical import Digest
from caldiff.definition.json_schema import schema_of
from caldiff.definition.kinds import BOOL, TEXT, Kind, choice, either, integer, listing, mapping, text
from caldiff.definition.problems import Problem, Wrong, seen
from caldiff.definition.sections import Field, Section
from caldiff.definition.strict import Form, read_strictly
from caldiff.errors import CaldiffError, EvidenceError, SnapshotError
from caldiff.evidence.codes import CODE
from caldiff.evidence.diagnostic import read_hex, read_responses
from caldiff.evidence.readiness import IGNITIONS, MONITORS, Readiness
from caldiff.evidence.readiness import State as MonitorState
from caldiff.evidence.snapshot import KINDS, Snapshot
from caldiff.evidence.uds import FLAGS, Record, status_of
from caldiff.image.limits import Limits
from caldiff.image.reading import file_bytes

__all__ = ["FORMS", "SnapshotForm", "open_snapshot", "read_snapshot", "snapshot_json_schema"]

Tree = dict[str, Any]
SnapshotForm = Literal["document", "hex", "binary"]
FORMS: tuple[SnapshotForm, ...] = ("document", "hex", "binary")
"""a YAML or JSON document; responses as hexadecimal text, one a line; one response as it is"""

_LARGEST = Limits(size=1 << 20, span=1 << 20)
"""bytes of a file: the largest memory has some hundred codes"""
_TIME = re.compile(
    r"[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]Z", re.ASCII
)
_CVN = re.compile(r"[0-9A-Fa-f]{1,64}", re.ASCII)
_STATES: tuple[tuple[str, MonitorState], ...] = (
    ("complete", "complete"),
    ("incomplete", "incomplete"),
    ("unsupported", "unsupported"),
)


# ------------------------------------------------------------------------------------------------- what may stand in it


def _matching(pattern: re.Pattern[str], what: str, reason: str, hint: str | None = None) -> Kind:
    def read(value: Any) -> str:
        if type(value) is not str or not pattern.fullmatch(value):
            raise Wrong(reason, expected=what, got=seen(value), hint=hint)
        return value

    return Kind(what=what, read=read, schema={"type": "string", "pattern": f"^{pattern.pattern}$"})


def _read_version(value: Any) -> int:
    if value != 1 or type(value) is not int:
        raise Wrong("the format version is not known", expected="1", got=seen(value))
    return 1


_ONE_CODE = _matching(CODE, "a code such as P0420, or P0420-11", "this is no trouble code")
_CODES = listing(_ONE_CODE, "a list of trouble codes", most=1000)
_STATUS = either(
    integer("a status byte", 0, 255), listing(choice(*FLAGS), "a list of flags", most=len(FLAGS)), many=list
)
_SHORT = text("text in quotes", longest=100, empty=False)
_DIGITS = _matching(
    _CVN,
    "hexadecimal digits in quotes",
    "this is no verification number",
    "without quotes, digits alone are read as a decimal number",
)
_EVERY_MONITOR = tuple(dict.fromkeys(name for names in MONITORS.values() for name in names))
_SOME_MONITORS = listing(choice(*_EVERY_MONITOR, what="a monitor"), "a list of monitors", most=len(_EVERY_MONITOR))


def _several(kind: Kind) -> Kind:
    return either(kind, listing(kind, "a list of them", least=1, most=64), many=list)


_IDENTITY = Section(
    name="snapshot_identity",
    what="an identity",
    doc="What the vehicle says of itself, SAE J1979 service 09.",
    fields=(
        Field(key="vin", kind=_SHORT, doc="Vehicle identification number."),
        Field(key="calibration_id", kind=_several(_SHORT), doc="Calibration identification, or a list of them."),
        Field(key="cvn", kind=_several(_DIGITS), doc="Calibration verification number, or a list, in hexadecimal."),
    ),
)
_READINESS = Section(
    name="snapshot_readiness",
    what="readiness",
    doc="Which monitors have finished since the memory was cleared, SAE J1979 service 01 PID 01.",
    fields=(
        Field(
            key="ignition",
            kind=choice(*IGNITIONS),
            doc="spark or compression: which monitors there are.",
            needed="always",
        ),
        Field(key="complete", kind=_SOME_MONITORS, doc="Monitors that have finished."),
        Field(key="incomplete", kind=_SOME_MONITORS, doc="Monitors that the vehicle has and that have not finished."),
        Field(key="unsupported", kind=_SOME_MONITORS, doc="Monitors that the vehicle has not."),
    ),
)
_SINCE = Section(
    name="snapshot_since_clearing",
    what="what was since the clearing",
    doc="How long ago the memory was cleared.",
    fields=(
        Field(key="distance", kind=integer("kilometres", 0, 1 << 24), doc="Kilometres, SAE J1979 PID 31."),
        Field(key="warm_ups", kind=integer("a count", 0, 1 << 16), doc="Warm-ups of the engine, SAE J1979 PID 30."),
    ),
)
_SNAPSHOT = Section(
    name="snapshot",
    what="a snapshot",
    doc="What a vehicle's fault memory said at one time. A key that is left out was not read; an empty list was empty.",
    fields=(
        Field(
            key="snapshot",
            kind=Kind(what="the format version, 1", read=_read_version, schema={"const": 1}),
            doc="The format version, 1.",
            needed="always",
        ),
        Field(key="title", kind=text(longest=1000), doc="What people call it."),
        Field(key="description", kind=TEXT, doc="How it came about."),
        Field(
            key="taken",
            kind=_matching(_TIME, "a time in UTC, such as 2026-03-11T09:30:00Z", "this is no time"),
            doc="When it was read.",
        ),
        Field(key="identity", kind=_IDENTITY.kind, doc="What the vehicle says of itself."),
        Field(key="lamp", kind=BOOL, doc="The malfunction lamp is on."),
        Field(key="count", kind=integer("a count", 0, 127), doc="How many stored codes the vehicle counts itself."),
        Field(key="stored", kind=_CODES, doc="Stored (confirmed) codes, SAE J1979 service 03."),
        Field(key="pending", kind=_CODES, doc="Pending codes, service 07."),
        Field(key="permanent", kind=_CODES, doc="Permanent codes, service 0A."),
        Field(
            key="records",
            kind=mapping(_ONE_CODE, _STATUS, "a mapping from codes to their status", most=1000),
            doc="Codes with a status byte, ISO 14229 service 19: a number, or the flags that are set.",
        ),
        Field(key="known", kind=integer("a status byte", 0, 255), doc="Bits of the status that the controller knows."),
        Field(key="readiness", kind=_READINESS.kind, doc="Monitors that have finished, and those that have not."),
        Field(key="since_clearing", kind=_SINCE.kind, doc="How long ago the memory was cleared."),
    ),
)


def snapshot_json_schema() -> dict[str, Any]:
    """The JSON Schema of a snapshot document; ``docs/schemas/snapshot.schema.json`` is this value."""
    return schema_of(_SNAPSHOT, (_IDENTITY, _READINESS, _SINCE), title="caldiff snapshot of fault codes, format 1")


# ------------------------------------------------------------------------------------------------------------- reading


def open_snapshot(path: str | PathLike[str], *, form: SnapshotForm | None = None) -> Snapshot:
    """The snapshot in a file.

    Raises:
        FileError, LimitError: the file cannot be read, or is larger than any snapshot.
        EvidenceError: as :func:`read_snapshot`.
    """
    return read_snapshot(file_bytes(path, limits=_LARGEST), label=fspath(path), form=form)


def read_snapshot(data: bytes, *, label: str = "snapshot", form: SnapshotForm | None = None) -> Snapshot:
    """The snapshot in the bytes of a file.

    Args:
        data: the bytes.
        label: what messages call it.
        form: how it is written; None: told by the content. Bytes that are no text are one response; text whose first
            line (empty ones and comments after # aside) is hexadecimal digits only is responses; else it is a document.

    Raises:
        SnapshotError: with everything that is wrong in a document.
        EvidenceError: it is empty, or a response that cannot be used.
    """
    try:
        if not data.strip():
            raise EvidenceError("the file is empty, so it says nothing of any fault memory")
        match form or _told(data):
            case "document":
                return _document(data, label)
            case "hex":
                return read_hex(_text(data), label=label, file=Digest.of(data))
            case "binary":
                return read_responses([("", data)], label=label, file=Digest.of(data))
    except CaldiffError as error:
        error.file = error.file or label
        raise


def _told(data: bytes) -> SnapshotForm:
    try:
        words = data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError:
        return "binary"
    if any(ord(c) < 32 and c not in "\t\r\n" for c in words):  # noqa: PLR2004 - control characters
        return "binary"
    lines = (line.partition("#")[0].strip() for line in words.splitlines())
    first = next((line for line in lines if line), "")
    return "hex" if re.fullmatch(r"[0-9A-Fa-f \t]+", first) else "document"


def _text(data: bytes) -> str:
    try:
        return data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        raise EvidenceError(
            "this is no text, so no hexadecimal digits", got=f"the byte 0x{data[error.start]:02X}"
        ) from None


def _document(data: bytes, label: str) -> Snapshot:
    form = Form(noun="snapshot", plural="snapshots", section=_SNAPSHOT, check=_faults, error=SnapshotError)
    tree = read_strictly(data, form, file=label).tree
    identity, since = tree.get("identity", {}), tree.get("since_clearing", {})
    lists = {kind: tuple(tree[kind]) for kind in KINDS if kind in tree}
    return Snapshot(
        label=label,
        file=Digest.of(data),
        taken=tree.get("taken"),
        vin=identity.get("vin"),
        calibration_ids=_tuple(identity.get("calibration_id")),
        cvns=tuple(cvn.upper() for cvn in _tuple(identity.get("cvn"))),
        lamp=tree.get("lamp"),
        count=tree.get("count"),
        **lists,
        records=_records(tree["records"]) if "records" in tree else None,
        known=tree.get("known", 0xFF),
        readiness=_readiness(tree["readiness"]) if "readiness" in tree else None,
        distance=since.get("distance"),
        warm_ups=since.get("warm_ups"),
    )


def _tuple(value: Any) -> tuple[str, ...]:
    return () if value is None else tuple(value) if isinstance(value, list) else (value,)


def _records(entries: Tree) -> tuple[Record, ...]:
    return tuple(
        Record(code=code, status=status_of(status) if isinstance(status, list) else status)
        for code, status in entries.items()
    )


def _readiness(entry: Tree) -> Readiness:
    told = {name: state for key, state in _STATES for name in entry.get(key, ())}
    states = tuple((name, told[name]) for name in MONITORS[entry["ignition"]] if name in told)
    return Readiness(ignition=entry["ignition"], states=states)


def _faults(tree: Tree) -> Iterator[Problem]:
    """Codes and monitors that stand there twice, monitors of another kind of engine, numbers that differ."""
    for kind in KINDS:
        yield from _twice(tree.get(kind, ()), kind)
    entry = tree.get("readiness", {})
    told: dict[str, str] = {}
    for key, _ in _STATES:
        for n, name in enumerate(entry.get(key, ())):
            path = ("readiness", key, n)
            if name not in MONITORS[entry["ignition"]]:
                expected = f"one of {', '.join(MONITORS[entry['ignition']])}"
                yield Problem(
                    f"there is no such monitor with {entry['ignition']} ignition",
                    expected=expected,
                    got=name,
                    path=path,
                )
            elif name in told:
                yield Problem("this monitor stands there twice", got=f"it is {told[name]} already", path=path)
            told.setdefault(name, key)


def _twice(codes: Any, kind: str) -> Iterator[Problem]:
    known: set[str] = set()
    for n, code in enumerate(codes):
        if code in known:
            yield Problem("this code stands there twice", got=code, path=(kind, n))
        known.add(code)
