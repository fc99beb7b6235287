"""Raw values that have words: names for values, flags and bit fields; as text, and back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from caldiff.definition.model import BitField, Bits, Names
from caldiff.definition.number import Physical, exact, shown_number
from caldiff.errors import EncodeError

__all__ = ["word_raw", "words"]


def words(conversion: Names | Bits, raw: int) -> str:
    """The name of the value, or the flags that are set and the fields, such as ``knock_control+fuel=lpg``.

    A value without a name is a number. Bits that no field covers are added as a hexadecimal number.
    """
    if isinstance(conversion, Names):
        return conversion.names.get(raw, str(raw))
    parts, left = [], raw
    for field in conversion.fields:
        left &= ~field.mask
        value = (raw & field.mask) >> _shift(field)
        if _is_flag(field):
            parts += [field.name] if value else []
        elif value or value in field.names:
            parts.append(f"{field.name}={_value_word(field, value)}")
    # A negative word stays itself: its high bits belong to no field.
    if left:
        parts.append(f"0x{left:X}" if left > 0 else str(left))
    return "+".join(parts) or "0"


def word_raw(conversion: Names | Bits, value: Physical) -> int:
    """The raw value of a name, of flags as :func:`words` writes them, or of a whole number.

    Raises:
        EncodeError: nothing has that name, several values have it, or the number is not whole.
    """
    if isinstance(value, str):
        text = value.strip()
        return _named(conversion.names, text) if isinstance(conversion, Names) else _combined(conversion, text)
    return _whole(value)


def _whole(value: Physical) -> int:
    number = exact(value)
    if number.denominator != 1:
        raise EncodeError("a named value or a set of flags is a whole number", got=shown_number(number))
    return int(number)


def _is_flag(field: BitField) -> bool:
    return field.mask.bit_count() == 1 and not field.names


def _shift(field: BitField) -> int:
    return (field.mask & -field.mask).bit_length() - 1


def _value_word(field: BitField, value: int) -> str:
    word = field.names.get(value, str(value))
    # The two signs part the text; a name with one of them in it could not be read back.
    return str(value) if set(word) & set("+=") else word


def _named(names: Mapping[int, str], text: str) -> int:
    found = [raw for raw, name in names.items() if name.strip() == text]
    if len(found) > 1:
        raise EncodeError(f"several values are called {text}", got=" and ".join(map(str, sorted(found))))
    if found:
        return found[0]
    try:
        return _integer(text)
    except ValueError:
        raise EncodeError("no value has this name", got=repr(text[:80]), hint=_close(text, names.values())) from None


def _close(word: str, words_: Iterable[str]) -> str | None:
    from difflib import get_close_matches  # noqa: PLC0415 - only a mistake needs it

    close = get_close_matches(word[:80], words_, n=1)
    return f"did you mean {close[0]}?" if close else None


def _integer(text: str) -> int:
    """A decimal or hexadecimal integer.

    Raises:
        ValueError: it is none, or absurdly long.
    """
    if len(text) > 40:  # noqa: PLR2004 - longer than any stored integer
        raise ValueError(text)
    return int(text, 16) if text[:2].lower() == "0x" else int(text)


def _combined(bits: Bits, text: str) -> int:
    fields = {field.name: field for field in bits.fields}
    raw = 0
    for part in text.split("+"):
        name, _, word = (p.strip() for p in part.partition("="))
        if name not in fields:
            try:
                raw |= _integer(name)
            except ValueError:
                hint = _close(name, fields)
                raise EncodeError("no flag or field has this name", got=repr(name[:80]), hint=hint) from None
            continue
        field = fields[name]
        value = _named(field.names, word) if word else 1
        room = field.mask >> _shift(field)
        if not (word or _is_flag(field)) or value & ~room:
            raise EncodeError(f"the field {name} takes a value from 0 to {room}", got=repr(part[:80]))
        raw |= value << _shift(field)
    return raw
