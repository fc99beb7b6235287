"""``Calibration``: an image with the definition that reads it. Free of numpy until a table is asked for."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import attrs

from caldiff.definition.definition import Definition
from caldiff.errors import TableError
from caldiff.image.model import Image

if TYPE_CHECKING:
    from caldiff.table.model import Table

__all__ = ["Calibration"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Calibration:
    """An image and the definition that reads it. ``calibration[name]`` decodes a table, iterating gives their names.

    Attributes:
        label: what people call it, such as the file's name.
        image: the bytes.
        definition: what reads them; None where no definition fits, and then there are no tables.
    """

    label: str
    image: Image
    definition: Definition | None

    def __getitem__(self, name: str) -> Table:
        """The decoded table of that name or alias. Raises TableError where there is none, or it is not held whole."""
        from caldiff.table.decode import decode  # noqa: PLC0415 - brings numpy, which identity does without

        spec = self.definition.find_table(name) if self.definition else None
        if spec is None or self.definition is None:
            raise TableError(
                f"there is no table '{name}'", file=self.label, hint=None if self.definition else "no definition fits"
            )
        return decode(self.image, self.definition, spec)

    def __iter__(self) -> Iterator[str]:
        return iter(self.definition.tables if self.definition else ())

    def __len__(self) -> int:
        return len(self.definition.tables) if self.definition else 0

    def __contains__(self, name: object) -> bool:
        return isinstance(name, str) and self.definition is not None and self.definition.find_table(name) is not None

    def __repr__(self) -> str:
        by = f"read by {self.definition.name}, {len(self)} tables" if self.definition else "no definition fits"
        return f"<Calibration {self.label!r}: {by}>"
