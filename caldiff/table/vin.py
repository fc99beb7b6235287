"""Vehicle identification numbers: 17 characters (ISO 3779), in some markets with a check digit (49 CFR 565.15).

Both standards are followed from memory, and so is the share-out of the first characters (ISO 3780). Free of numpy.
"""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.table.remark import Remark

__all__ = ["LENGTH", "check_digit", "remarks"]

LENGTH = 17
_PLACE = 8
"""index of the check digit"""
_NORTH_AMERICA = "12345"
_SHARED, _ELSEWHERE = "7", "ABCDE"
"""first characters of makers where the law asks for a check digit: 7 is theirs too, unless A to E follow"""

_VALUES = {c: n for n, c in enumerate("0123456789")}
_VALUES |= {c: n for n, c in enumerate("ABCDEFGH", 1)}
_VALUES |= {c: n for n, c in enumerate("JKLMN", 1)} | {"P": 7, "R": 9}
_VALUES |= {c: n for n, c in enumerate("STUVWXYZ", 2)}
"""of every character that there can be: I, O and Q are left out, as they look like 1 and 0"""
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


def check_digit(vin: str) -> str:
    """The check digit that belongs in the ninth place, whatever stands there: ``0`` to ``9`` or ``X``.

    Raises:
        ValueError: there are not 17 characters, or one of the other places holds none that a VIN may hold.
    """
    if len(vin) != LENGTH or not set(vin[:_PLACE] + vin[_PLACE + 1 :]) <= _VALUES.keys():
        raise ValueError("these are not the 17 characters of a VIN")
    total = sum(_VALUES.get(c, 0) * weight for c, weight in zip(vin, _WEIGHTS, strict=True))
    return "0123456789X"[total % 11]


def remarks(vin: str, *, checked: bool | None) -> Iterator[Remark]:
    """What is wrong with a VIN, without giving away what it says.

    ``checked`` says whether the ninth character is a check digit; None: by the first characters, which name the region
    of the maker.
    """
    if not vin:
        yield Remark(kind="vin-empty", text="holds no VIN", fault=False)
        return
    if len(vin) != LENGTH:
        characters = "1 character" if len(vin) == 1 else f"{len(vin)} characters"
        yield Remark(kind="vin-length", text=f"holds {characters}; a VIN has {LENGTH}")
    foreign = [str(place) for place, character in enumerate(vin, 1) if character not in _VALUES]
    if foreign:
        where = "place " + foreign[0] if len(foreign) == 1 else "places " + ", ".join(foreign)
        text = f"holds at {where} what no VIN has: all are digits and capital letters, I, O and Q excepted"
        yield Remark(kind="vin-characters", text=text)
    if len(vin) != LENGTH or foreign or checked is False:
        return
    if checked is None and not _north_american(vin):
        text = "begins as one from outside North America, where no law asks for a check digit: it was not checked"
        yield Remark(kind="vin-not-checked", text=text, fault=False)
    elif vin[_PLACE] != check_digit(vin):
        text = "has a check digit (its ninth character) that does not agree with the other 16 characters"
        yield Remark(kind="vin-check-digit", text=text)


def _north_american(vin: str) -> bool:
    return vin[0] in _NORTH_AMERICA or (vin[0] == _SHARED and vin[1] not in _ELSEWHERE)
