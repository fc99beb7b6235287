"""What a calibration says it is, held against its checksums. Free of numpy unless a checksum is to be reckoned."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

from caldiff.definition.model import IdentityField
from caldiff.table.calibration import Calibration
from caldiff.table.identity import FieldValue, identify
from caldiff.table.remark import Remark

if TYPE_CHECKING:
    from collections.abc import Iterable

    from caldiff.checksum.state import State

__all__ = ["checksum_states", "identity_of"]


def checksum_states(calibration: Calibration) -> tuple[State, ...]:
    """The state of every checksum that the definition declares, in its order; none without a definition."""
    definition = calibration.definition
    return () if definition is None else _states(calibration, definition.checksums.values())


def identity_of(calibration: Calibration) -> tuple[FieldValue, ...]:
    """Every identity field, in the definition's order, with what is wrong with it; none without a definition.

    A calibration verification number must equal the checksum that the definition names for it.
    """
    definition = calibration.definition
    if definition is None:
        return ()
    values = identify(calibration.image, definition)
    wanted = {v.field.checksum for v in values if v.field.means == "cvn" and v.text}
    if not wanted:
        return values
    states = _states(calibration, [c for c in definition.checksums.values() if c.name in wanted])
    found = {state.name: state for state in states}
    return tuple(_held_against(v, found) if v.field.checksum in found else v for v in values)


def _states(calibration: Calibration, declared: Iterable[object]) -> tuple[State, ...]:
    from caldiff.definition.checksums import Checksum  # noqa: PLC0415 - most runs ask for no checksum

    known = [c for c in declared if isinstance(c, Checksum)]
    if not known:
        return ()
    from caldiff.checksum.state import states  # noqa: PLC0415 - brings numpy

    return states(calibration.image, known)


def _held_against(value: FieldValue, states: dict[str, State]) -> FieldValue:
    """The value with a remark where it does not equal its checksum, or where that cannot be told."""
    if value.field.means != "cvn" or not value.text:
        return value
    remark = _remark(value.field, value.text, states[value.field.checksum])
    return value if remark is None else attrs.evolve(value, remarks=(*value.remarks, remark))


def _remark(field: IdentityField, text: str, state: State) -> Remark | None:
    if set(text) - set("0123456789abcdefABCDEF"):
        return Remark(kind="cvn-digits", text="is no hexadecimal number")
    if state.reckoned is None:
        reason = state.reason or "there is no way to reckon it here"
        text = f"cannot be held against checksum {state.name}: {reason}"
        return Remark(kind="cvn-not-checked", text=text, fault=False)
    size = field.size if field.kind == "number" else (len(text) + 1) // 2
    wanted = _as_held(state, state.reckoned, size)
    if int(text, 16) == wanted:
        return None
    return Remark(kind="cvn-differs", text=f"does not equal checksum {state.name}, reckoned as {state.reckoned:X}")


def _as_held(state: State, reckoned: int, size: int) -> int | None:
    """The reckoned value as so many bytes hold it, of a digest the leading ones; None where they are too few."""
    from caldiff.checksum.state import written  # noqa: PLC0415 - brings numpy
    from caldiff.definition.checksums import StoredField  # noqa: PLC0415 - as above

    try:
        data = written(state.checksum.method, reckoned, StoredField(at=0, size=size, byte_order="big"))
    except OverflowError:
        return None
    return int.from_bytes(data, "big")
