"""What an image says it is: the identity fields of its definition. Free of numpy."""

from __future__ import annotations

from collections.abc import Iterator

import attrs

from caldiff.definition.definition import Definition
from caldiff.definition.model import IdentityField
from caldiff.image.model import Image
from caldiff.table import vin
from caldiff.table.personal import Key, shortened
from caldiff.table.remark import Remark
from caldiff.table.text import legible, trimmed
from caldiff.value import Value

__all__ = ["FieldValue", "identify"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class FieldValue(Value):
    r"""An identity field as it reads in an image. ``text`` is None where the image lacks the bytes.

    Text keeps what does not print as ``\xNN``; a BCD field that holds a digit above 9 reads as ``not BCD: `` and its
    bytes; a calibration verification number stored as a number reads in hexadecimal, as scan tools show it (common
    practice, no source). ``text`` is whole even for a personal field: show :attr:`shown` instead.
    """

    field: IdentityField
    text: str | None
    personal: bool = False
    remarks: tuple[Remark, ...] = ()

    @property
    def shown(self) -> str | None:
        """The text as it may be shown: a personal one shortened."""
        return shortened(self.text) if self.personal and self.text is not None else self.text

    @property
    def faults(self) -> tuple[Remark, ...]:
        """The remarks that say that something is wrong."""
        return tuple(r for r in self.remarks if r.fault)

    def digest(self, key: Key | None) -> str | None:
        """What a personal text is matched by; None without a key, and for what is not personal, or not there."""
        return field_digest(self.field, self.text, key) if self.personal else None

    def __repr__(self) -> str:
        return f"<FieldValue {self.field.name}: {self.shown!r}>"


def field_digest(field: IdentityField, text: str | None, key: Key | None) -> str | None:
    """The keyed digest of a field's text; fields of one meaning match whatever they are called."""
    if key is None or not text:
        return None
    return key.digest(f"field {field.name}" if field.means == "free" else field.means, text)


def identify(image: Image, definition: Definition) -> tuple[FieldValue, ...]:
    """Every identity field, in the definition's order, with what is wrong with it."""
    return tuple(_value(image, field, definition.frame.erased) for field in definition.identity.values())


def _value(image: Image, field: IdentityField, erased: int) -> FieldValue:
    if not image.holds(field.at, field.stop):
        return FieldValue(field=field, text=None, personal=field.personal)
    data = image.read(field.at, field.size)
    remarks = tuple(_remarks(data, field, erased))
    return FieldValue(field=field, text=_read(data, field, erased), personal=field.personal, remarks=remarks)


def _read(data: bytes, field: IdentityField, erased: int) -> str:
    match field.kind:
        case "text":
            return legible(trimmed(data, erased), "latin-1")
        case "number":
            number = int.from_bytes(data, field.byte_order)
            return f"{number:0{2 * field.size}X}" if field.means == "cvn" else str(number)
        case "bcd":
            digits = data.hex() if field.byte_order == "big" else data[::-1].hex()
            return digits if digits.isdecimal() else f"not BCD: {data.hex(' ').upper()}"


def _remarks(data: bytes, field: IdentityField, erased: int) -> Iterator[Remark]:
    if field.kind == "bcd" and not data.hex().isdecimal() and data.strip(bytes([erased])):
        yield Remark(kind="not-bcd", text="holds a digit above 9")
    if field.means == "vin":
        yield from vin.remarks(trimmed(data, erased).decode("latin-1"), checked=field.check_digit)
