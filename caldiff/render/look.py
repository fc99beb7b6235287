"""How text looks on a terminal: width, colours, glyphs; and making foreign text harmless.

Colour is never alone: whatever is painted also carries a sign or a word.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from caldiff.value import Plain

__all__ = ["Ink", "Look", "clip", "harmless", "pad", "plural", "width_of", "wrapped"]

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Literal

    Ink = Literal["plain", "strong", "faint", "raised", "RAISED", "lowered", "LOWERED", "alert"]
    """Capital letters: the larger changes of a table."""
else:
    Ink = str  # typing takes as long to import as Python to start

# Blue for less and orange for more: told apart with every common form of colour blindness (common practice, no source).
_INKS: dict[Ink, tuple[str, str]] = {
    "strong": ("1", "1"),
    "faint": ("2", "2"),
    "raised": ("33", "38;5;208"),
    "RAISED": ("1;33", "1;38;5;208"),
    "lowered": ("36", "38;5;75"),
    "LOWERED": ("1;36", "1;38;5;75"),
    "alert": ("1;7", "1;7"),
}
_GLYPHS = {"→": "->", "·": ".", "…": "~", "─": "-"}


class Look(Plain):
    """What the reader's terminal can do.

    Attributes:
        width: columns; at least 40 are used.
        colours: 0 (none), 16 or 256.
        unicode: False for a terminal that only takes ASCII.
    """

    __slots__ = ("colours", "unicode", "width")
    width: int
    colours: Literal[0, 16, 256]
    unicode: bool

    def __init__(self, *, width: int = 80, colours: Literal[0, 16, 256] = 0, unicode: bool = True) -> None:
        self._set(width=max(width, 40), colours=colours, unicode=unicode)

    def paint(self, text: str, ink: Ink) -> str:
        """The text in a colour or weight, where the terminal has any."""
        if not self.colours or ink == "plain" or not text.strip():
            return text
        return f"\x1b[{_INKS[ink][self.colours == 256]}m{text}\x1b[0m"  # noqa: PLR2004 - the number of colours

    def glyph(self, sign: str) -> str:
        """The sign, or its stand-in on an ASCII terminal."""
        return sign if self.unicode else _GLYPHS[sign]

    def text(self, foreign: str) -> str:
        """Text from a file or a definition, made harmless, and ASCII where it must be."""
        return harmless(foreign, ascii_only=not self.unicode)


def harmless(foreign: str, *, ascii_only: bool = False) -> str:
    r"""The text with everything escaped that a terminal acts on or does not show.

    Control characters, direction overrides, invisible and unassigned characters, and the lone surrogates of file names
    that do not decode, come out as ``\x1b`` or ``\u202e``.
    """
    if foreign.isprintable() and (foreign.isascii() or not ascii_only):
        return foreign
    return "".join(
        c if c.isprintable() and (c.isascii() or not ascii_only) else c.encode("unicode_escape").decode("ascii")
        for c in foreign
    )


def width_of(text: str) -> int:
    """Terminal columns that harmless text takes."""
    if text.isascii():
        return len(text)
    from unicodedata import combining, east_asian_width  # noqa: PLC0415 - rarely needed

    return sum(0 if combining(c) else 2 if east_asian_width(c) in "WF" else 1 for c in text)


def pad(text: str, width: int, *, right: bool = False) -> str:
    """The text filled up with spaces on its right, or on its left when ``right`` aligned."""
    space = " " * (width - width_of(text))
    return space + text if right else text + space


def clip(text: str, width: int, *, mark: str = "~") -> str:
    """The text, cut to the width with a mark at its end that says so."""
    if width_of(text) <= width:
        return text
    kept = ""
    for char in text:
        if width_of(kept + char) > width - len(mark):
            break
        kept += char
    return kept + mark


def plural(count: int, noun: str, many: str = "") -> str:
    """The count with its noun, such as ``1 byte`` and ``2,048 bytes``."""
    return f"{count:,} {noun if count == 1 else many or noun + 's'}"


def wrapped(text: str, width: int, *, indent: int = 0, lead: str = "") -> list[str]:
    """Harmless text filled into lines of at most ``width``, each ``indent`` columns in, the first behind ``lead``.

    A word that is too long is broken.
    """
    room = max(width - indent, 10)
    lines = [""]
    for word in _broken(text.split(" "), room):
        grown = f"{lines[-1]} {word}" if lines[-1] else word
        if width_of(grown) <= room:
            lines[-1] = grown
        else:
            lines.append(word)
    return [(pad(lead, indent) if n == 0 else " " * indent) + line for n, line in enumerate(lines)]


def _broken(words: Iterable[str], room: int) -> Iterator[str]:
    for word in words:
        rest = word
        while width_of(rest) > room:
            piece = clip(rest, room, mark="")
            yield piece
            rest = rest[len(piece) :]
        yield rest
