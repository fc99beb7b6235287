"""Which definition reads which image. Free of numpy."""

from __future__ import annotations

from collections.abc import Iterable

import attrs

from caldiff.definition.definition import Definition
from caldiff.definition.model import Fit, Pattern
from caldiff.errors import CaldiffError, DefinitionMissingError, DoesNotFitError
from caldiff.image.model import Image

__all__ = ["FitFailure", "choose", "fits", "fitting", "mismatches", "place", "require"]

_NAMED = 5
"""definitions named in a hint before the rest is only counted"""


@attrs.frozen(kw_only=True, eq=False)
class FitFailure:
    """A condition that an image does not meet.

    Attributes:
        condition: what should hold; None where the image as a whole does not suit the definition's frame.
        at: address of the condition. expected, got: as people read them; got is None where bytes are missing.
    """

    condition: Fit | None
    at: int
    expected: str
    got: str | None

    @property
    def text(self) -> str:
        """The failure in one line."""
        got = "the image has no bytes there" if self.got is None else f"got {self.got}"
        return f"expected {self.expected} at 0x{self.at:08X}, {got}"


def mismatches(definition: Definition, image: Image) -> tuple[FitFailure, ...]:
    """The conditions of a definition that an image does not meet, in the definition's order; empty where it fits.

    A definition without conditions fits nothing: what proves nothing must not decode anything. Conditions on bytes that
    the image does not hold do not hold.
    """
    if not definition.fits:
        start = definition.frame.start
        return (
            FitFailure(condition=None, at=start, expected="conditions under `fits`", got="a definition without any"),
        )
    personal = [(f.at, f.stop) for f in definition.identity.values() if f.personal]
    return tuple(f for fit in definition.fits for f in _failures(fit, image, personal))


def fits(definition: Definition, image: Image) -> bool:
    """Whether every condition holds."""
    return not mismatches(definition, image)


def _failures(fit: Fit, image: Image, personal: Iterable[tuple[int, int]]) -> Iterable[FitFailure]:
    """The failure of one condition, if it fails."""
    if any(_matches(fit.at, pattern, image) for pattern in fit.any_of):
        return
    longest = max(fit.any_of, key=lambda p: len(p.value))
    try:
        data = image.read(fit.at, len(longest.value))
        got = _text(data) if longest.text else data.hex(" ").upper()
        if any(start < fit.at + len(data) and fit.at < stop for start, stop in personal):
            got = "bytes that identify somebody, not shown"
    except CaldiffError:
        got = None
    yield FitFailure(condition=fit, at=fit.at, expected=" or ".join(_shown(p) for p in fit.any_of), got=got)


def _matches(at: int, pattern: Pattern, image: Image) -> bool:
    stop = at + len(pattern.value)
    if not image.holds(at, stop):
        return False
    data = image.view(at, stop) if pattern.value else b""
    return all(b & m == v & m for b, v, m in zip(data, pattern.value, pattern.mask, strict=True))


def _shown(pattern: Pattern) -> str:
    """A pattern as a definition writes it."""
    pairs = list(zip(pattern.value, pattern.mask, strict=True))
    if pattern.text:
        return '"' + "".join(_text_character(v) if m else "?" for v, m in pairs) + '"'
    return " ".join((f"{v >> 4:X}" if m >> 4 else "?") + (f"{v & 15:X}" if m & 15 else "?") for v, m in pairs)


def _text(data: bytes) -> str:
    return '"' + "".join(map(_text_character, data)) + '"'


def _text_character(byte: int) -> str:
    return chr(byte) if chr(byte).isprintable() and chr(byte).isascii() and byte not in b'"\\' else f"\\x{byte:02x}"


# -------------------------------------------------------------------------------------------------------------- choice


def place(image: Image, definition: Definition) -> Image:
    """The image where the definition wants it: a raw binary read without a start address begins at the frame's start.

    Anything else, and a binary that is larger than the frame, is given back as it is.
    """
    source = image.source
    # An image that starts above 0 was placed already, by its reader.
    if source is None or source.format != "binary" or image.start or image.size > definition.frame.size:
        return image
    return image.moved(start=definition.frame.start) if definition.frame.start else image


def require(definition: Definition, image: Image) -> Image:
    """The image placed for a definition that was asked for by name.

    Raises:
        DoesNotFitError: a condition does not hold; the error names all that fail.
    """
    placed = place(image, definition)
    failures = mismatches(definition, placed)
    if not failures:
        return placed
    first = failures[0]
    more = [f.text for f in failures[1:]]
    raise DoesNotFitError(
        f"definition {definition.name} does not fit this image",
        file=image.source.name if image.source else None,
        address=first.at,
        expected=first.expected,
        got="no bytes there" if first.got is None else first.got,
        hint="; ".join(["also: " + more[0], *more[1:]]) if more else _partial(definition, placed),
    )


def fitting(definitions: Iterable[Definition], image: Image) -> tuple[Definition, ...]:
    """All definitions whose conditions the image meets, placed for each."""
    return tuple(d for d in definitions if fits(d, place(image, d)))


def choose(definitions: Iterable[Definition], image: Image) -> Definition:
    """The one definition whose conditions the image meets; place the image with :func:`place` afterwards.

    Raises:
        DefinitionMissingError: none fits, or several do.
    """
    tried = [(d, mismatches(d, place(image, d))) for d in definitions]
    found = [d for d, failures in tried if not failures]
    if len(found) == 1:
        return found[0]
    name = image.source.name if image.source else None
    if found:
        raise DefinitionMissingError(
            f"{len(found)} definitions fit this image: {_names(found)}",
            file=name,
            hint="name the one to use, or make their `fits` exclude one another",
        )
    if not tried:
        raise DefinitionMissingError(
            "there is no definition to choose from", file=name, hint="name a definition, or the folder where some are"
        )
    raise DefinitionMissingError(
        f"no definition fits this image ({len(tried)} tried)", file=name, hint=_nearest(tried, image)
    )


def _names(definitions: list[Definition]) -> str:
    names = sorted(d.name for d in definitions)
    more = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")


def _nearest(tried: list[tuple[Definition, tuple[FitFailure, ...]]], image: Image) -> str:
    """What to do, with the definition that most conditions hold for."""

    def met(entry: tuple[Definition, tuple[FitFailure, ...]]) -> tuple[int, float]:
        definition, failures = entry
        held = len(definition.fits) - len(failures)
        return held, held / max(len(definition.fits), 1)

    nearest, failures = max(tried, key=met)
    todo = "add a definition for this software version"
    if met((nearest, failures))[0] <= 0:
        return f"none of their conditions holds; tried {_names([d for d, _ in tried])}; {todo}"
    partial = _partial(nearest, place(image, nearest))
    return f"nearest is {nearest.name}: {failures[0].text}; {partial or todo}"


def _partial(definition: Definition, image: Image) -> str | None:
    """A word about an image that lacks the very bytes that would tell."""
    if all(image.holds(f.at, f.at + len(p.value)) for f in definition.fits for p in f.any_of[:1]):
        return None
    return "the image lacks bytes that say which software it is; use a complete read"
