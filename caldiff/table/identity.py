"""What an image says it is: the identity fields of its definition. Free of numpy."""

from __future__ import annotations

import attrs

from caldiff.definition.definition import Definition
from caldiff.definition.model import IdentityField
from caldiff.image.model import Image
from caldiff.table.text import legible, trimmed

__all__ = ["FieldValue", "identify", "shortened"]

_KEPT = 4
"""characters of a personal field that stay readable: enough to recognise one's own, too few to name anybody"""


@attrs.frozen(kw_only=True)
class FieldValue:
    r"""An identity field as it reads in an image. ``text`` is None where the image lacks the bytes.

    Text keeps what does not print as ``\xNN``; a BCD field that holds a digit above 9 reads as ``not BCD: `` and its
    bytes. ``text`` is whole even for a personal field: shorten it with :func:`shortened` before showing it.
    """

    field: IdentityField
    text: str | None
    personal: bool = False

    @property
    def shown(self) -> str | None:
        """The text as it may be shown: a personal one shortened."""
        return shortened(self.text) if self.personal and self.text is not None else self.text


def identify(image: Image, definition: Definition) -> tuple[FieldValue, ...]:
    """Every identity field, in the definition's order."""
    return tuple(
        FieldValue(field=field, text=_read(image, field, definition.frame.erased), personal=field.personal)
        for field in definition.identity.values()
    )


def shortened(text: str) -> str:
    """A personal text with all but its last four characters replaced; one of four or fewer is replaced whole."""
    if len(text) <= _KEPT:
        return "*" * len(text)
    return "*" * (len(text) - _KEPT) + text[-_KEPT:]


def _read(image: Image, field: IdentityField, erased: int) -> str | None:
    if not image.holds(field.at, field.stop):
        return None
    data = image.read(field.at, field.size)
    match field.kind:
        case "text":
            return legible(trimmed(data, erased), "latin-1")
        case "number":
            return str(int.from_bytes(data, field.byte_order))
        case "bcd":
            digits = data.hex() if field.byte_order == "big" else data[::-1].hex()
            return digits if digits.isdecimal() else f"not BCD: {data.hex(' ').upper()}"
