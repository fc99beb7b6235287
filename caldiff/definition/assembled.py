"""A definition put together from model objects: what stands behind ``Definition.of``."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

from caldiff.definition.checksum_faults import sound
from caldiff.definition.checksum_normal import checksum_from_normal, normal_checksum
from caldiff.definition.checksum_order import in_order
from caldiff.definition.checksums import Checksum
from caldiff.definition.compiled import compile_normal, open_compiled
from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    Axis,
    Fit,
    FixedAxis,
    Frame,
    IdentityField,
    Region,
    Scaling,
    TableSpec,
)
from caldiff.definition.normal import (
    Normal,
    normal_axis,
    normal_fit,
    normal_frame,
    normal_identity,
    normal_region,
    normal_scaling,
    normal_table,
)
from caldiff.errors import UsageError

__all__ = ["assembled"]

T = TypeVar("T", Axis, Checksum, IdentityField, Region, Scaling, TableSpec)


def _by_name(kind: str, items: Iterable[T], form: Callable[[T], Normal]) -> dict[str, Normal]:
    found: dict[str, Normal] = {}
    for item in items:
        normal = form(item)
        if found.setdefault(item.name, normal) != normal:
            raise UsageError(f"two different {kind} are called {item.name}")
    return found


def _fit(fit: Fit) -> Normal:
    """Alternatives have no order either."""
    normal = normal_fit(fit)
    return normal | {"any_of": sorted(normal["any_of"], key=lambda pattern: (pattern["value"], pattern["mask"]))}


def assembled(  # noqa: PLR0913 - one keyword a section
    *,
    name: str,
    frame: Frame,
    title: str,
    fits: Iterable[Fit],
    identity: Iterable[IdentityField],
    regions: Iterable[Region],
    checksums: Iterable[Checksum],
    scalings: Iterable[Scaling],
    axes: Iterable[Axis],
    tables: Iterable[TableSpec],
) -> Definition:
    """See ``Definition.of``."""
    sums = _by_name("checksums", checksums, normal_checksum)
    known = sound(map(checksum_from_normal, sums.values()))
    in_order(known, {checksum.name: checksum.declared for checksum in known})
    specs = list(tables)
    used = [axis for table in specs for axis in table.axes]
    shared = [*axes, *(axis for axis in used if axis.shared)]
    scaled = [axis.scaling for axis in (*shared, *used) if not isinstance(axis, FixedAxis)]
    named = [s for s in (*scalings, *scaled, *(table.scaling for table in specs)) if s.name]
    normal = {
        "definition": 1,
        "name": name,
        "title": title,
        "image": normal_frame(frame),
        "fits": sorted(map(_fit, fits), key=lambda fit: (int(fit["at"]), str(fit["any_of"]))),
        "identity": _by_name("identity fields", identity, normal_identity),
        "regions": sorted(
            _by_name("regions", regions, normal_region).values(),
            key=lambda region: (int(region["start"]), int(region["size"]), region["name"]),
        ),
        "scalings": _by_name("scalings", named, normal_scaling),
        "axes": _by_name("axes", shared, normal_axis),
        "tables": _by_name("tables", specs, normal_table),
        "checksums": [item for _, item in sorted(sums.items())],
    }
    return open_compiled(compile_normal({key: value for key, value in normal.items() if value not in ("", [], {})}))
