"""What files are, as text and as JSON. Free of numpy."""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from caldiff.render.document import Json, document, side
from caldiff.render.head import file_lines
from caldiff.render.look import Look, wrapped
from caldiff.render.view import View
from caldiff.table.calibration import Calibration

__all__ = ["Identified", "identity_document", "identity_text"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Identified:
    """What is known of one file.

    Attributes:
        fitting: names of the definitions that fit; ``calibration`` has one where it is the only one.
        nearest: where none fits, the definition that some conditions hold for, and the ``failures`` of the others.
    """

    calibration: Calibration
    fitting: tuple[str, ...]
    nearest: str | None = None
    failures: tuple[str, ...] = ()


def identity_text(found: Sequence[Identified], look: Look, view: View) -> str:
    """Every file in a few lines."""
    out: list[str] = []
    for one in found:
        out += [*file_lines(one.calibration, look, view, stranger=_stranger(one)), *_nearest(one, look), ""]
    return "\n".join(out[:-1]) + "\n"


def _stranger(one: Identified) -> str:
    if one.fitting:
        return f"! {len(one.fitting)} definitions fit: {', '.join(one.fitting)}; name the one to use by --definition"
    return "! no definition fits"


def _nearest(one: Identified, look: Look) -> list[str]:
    if one.nearest is None:
        return []
    out = wrapped(look.text(f"nearest is {one.nearest}, but:"), look.width, indent=2)
    for failure in one.failures:
        out += wrapped(look.text(failure), look.width, indent=4)
    return out


def identity_document(found: Sequence[Identified], view: View) -> Json:
    """Every file that could be read."""
    return document(
        "identity",
        {
            "files": [
                {
                    **side(one.calibration, view),
                    "fitting": list(one.fitting),
                    "nearest": one.nearest,
                    "failures": list(one.failures),
                }
                for one in found
            ]
        },
    )
