"""``Definition``: how to read an image, as everything outside this room sees it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

import attrs

from caldiff.canonical import Digest
from caldiff.definition.model import (
    Axis,
    Fit,
    Frame,
    IdentityField,
    Region,
    Scaling,
    TableSpec,
)
from caldiff.value import Value

if TYPE_CHECKING:  # a short run asks for no checksum, and their dozen classes take a while to make
    from caldiff.definition.checksums import Checksum

__all__ = ["Definition", "PlaceIndex", "Touched"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Touched(Value):
    """What a set of address ranges may have changed, by name, in order of address.

    ``tables`` are those with a hull that meets a range; ``axes`` are shared axes likewise (their count included).
    Tables that hang on a touched axis are not in ``tables``: ask :meth:`PlaceIndex.tables_on`. A table's own axes at an
    address of their own count as the table.
    """

    tables: tuple[str, ...]
    axes: tuple[str, ...]


class PlaceIndex(Protocol):
    """Answers by address and by axis, at a cost that follows the answer rather than the definition."""

    def touching(self, extents: Sequence[tuple[int, int]]) -> Touched:
        """What meets any of the ranges ``[start, stop)``, which are in order and do not overlap."""

    def tables_on(self, axis: str) -> tuple[str, ...]:
        """The tables that hang on a shared axis, in order of name."""

    def alias(self, name: str) -> str | None:
        """The table that alone claims the alias, or None; a table's own name is nobody's alias."""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Definition:
    """How to read an image. The mappings may read their items only when asked for them.

    Attributes:
        name: as written; digest: of the meaning, the same however the YAML is spelled.
        scalings, axes: the named and shared ones.
        tables: by name.
    """

    name: str
    digest: Digest
    frame: Frame
    title: str = ""
    fits: tuple[Fit, ...] = ()
    identity: Mapping[str, IdentityField] = attrs.field(factory=dict)
    regions: tuple[Region, ...] = ()
    checksums: Mapping[str, Checksum] = attrs.field(factory=dict)
    scalings: Mapping[str, Scaling] = attrs.field(factory=dict)
    axes: Mapping[str, Axis] = attrs.field(factory=dict)
    tables: Mapping[str, TableSpec] = attrs.field(factory=dict)
    index: PlaceIndex

    @classmethod
    def of(  # noqa: PLR0913 - one keyword a section
        cls,
        *,
        name: str,
        frame: Frame,
        title: str = "",
        fits: Iterable[Fit] = (),
        identity: Iterable[IdentityField] = (),
        regions: Iterable[Region] = (),
        checksums: Iterable[Checksum] = (),
        scalings: Iterable[Scaling] = (),
        axes: Iterable[Axis] = (),
        tables: Iterable[TableSpec] = (),
    ) -> Definition:
        """A definition made in memory, through the same compiled form as one from a file.

        Named scalings and shared axes that tables use need not be listed again. What has no order of its own is sorted:
        regions and fits by address, checksums, tags and aliases by name. A table's own axes are named after the table.

        Raises:
            UsageError: two different scalings, axes, tables, fields or checksums have the same name.
            DefinitionError: checksums that make no sense, or cover one another in a circle.
        """
        from caldiff.definition.assembled import assembled  # noqa: PLC0415 - it builds on this module

        return assembled(
            name=name,
            frame=frame,
            title=title,
            fits=fits,
            identity=identity,
            regions=regions,
            checksums=checksums,
            scalings=scalings,
            axes=axes,
            tables=tables,
        )

    def __eq__(self, other: object) -> bool:
        return self.digest == other.digest if isinstance(other, Definition) else NotImplemented

    def __hash__(self) -> int:
        return hash(self.digest)

    def __repr__(self) -> str:
        return f"<Definition {self.name}: {len(self.tables)} tables, {len(self.axes)} shared axes>"

    def region_at(self, address: int) -> Region | None:
        """The smallest region that holds the address."""
        held = [r for r in self.regions if r.start <= address < r.stop]
        return min(held, key=lambda r: r.size, default=None)

    def find_table(self, name: str) -> TableSpec | None:
        """The table of that name, else the one that alone has it as an alias."""
        known = name if name in self.tables else self.index.alias(name)
        return None if known is None else self.tables[known]
