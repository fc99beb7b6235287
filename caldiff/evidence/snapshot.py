"""``Snapshot``: what a vehicle's fault memory said at one time, as frozen values."""

from __future__ import annotations

from typing import Literal, get_args

import attrs

from caldiff.canonical import Digest
from caldiff.evidence.readiness import Readiness
from caldiff.evidence.uds import Record
from caldiff.value import Value

__all__ = ["KINDS", "Kind", "Snapshot"]

Kind = Literal["stored", "pending", "permanent"]
KINDS: tuple[Kind, ...] = get_args(Kind)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Snapshot(Value):
    """What was read out of a fault memory. None everywhere: nothing was said of it, which is not the same as nothing.

    Attributes:
        label: the file, as it was named. file: digest of its bytes.
        taken: when, UTC.
        vin: of the vehicle, whole: it is personal, so show it shortened.
        calibration_ids, cvns: of its controllers, in the order of the answers; numbers as hexadecimal digits.
        lamp: the malfunction lamp is on. count: how many codes the vehicle itself counts as stored.
        stored, pending, permanent: codes, each list in the order of the answer.
        records: codes with a status byte. known: the bits of it that the controller knows.
        distance: km since the memory was cleared. warm_ups: of the engine since then.
        notes: what people should know about how this was read, in words.
    """

    label: str
    file: Digest
    taken: str | None = None
    vin: str | None = attrs.field(default=None, repr=False)
    calibration_ids: tuple[str, ...] = ()
    cvns: tuple[str, ...] = ()
    lamp: bool | None = None
    count: int | None = None
    stored: tuple[str, ...] | None = None
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    records: tuple[Record, ...] | None = None
    known: int = 0xFF
    readiness: Readiness | None = None
    distance: int | None = None
    warm_ups: int | None = None
    notes: tuple[str, ...] = ()

    def of(self, kind: Kind) -> tuple[str, ...] | None:
        """One of the lists."""
        codes: tuple[str, ...] | None = getattr(self, kind)
        return codes

    @property
    def faults(self) -> frozenset[str]:
        """Every code that it has, whatever list it stands in; of records, those that say that something failed."""
        listed = {code for kind in KINDS for code in self.of(kind) or ()}
        return frozenset(listed | {record.code for record in self.records or () if record.fault})

    @property
    def oddities(self) -> tuple[str, ...]:
        """What does not go together within the snapshot, in words."""
        found = []
        if self.count is not None and self.stored is not None and self.count != len(self.stored):
            found.append(f"the vehicle counts {self.count} stored, and {len(self.stored)} are listed")
        if self.lamp and self.stored == () and not any(r.fault for r in self.records or ()):
            found.append("the malfunction lamp is on, and no code is stored")
        return tuple(found)
