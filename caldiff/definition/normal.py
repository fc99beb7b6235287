"""The normal form of a definition: plain JSON values <-> model objects, both ways.

Two definitions mean the same exactly when their normal forms are equal. Keys carry the attribute names of the model,
keys with a default value are left out, fractions are text in lowest terms and integers beyond 2**53 - 1 are decimal
text, so that the form has one canonical JSON (RFC 8785). ``docs/compiled-form.md`` lists the keys.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any, Literal

from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    Axis,
    BitField,
    Bits,
    Cells,
    Conversion,
    Correction,
    Fit,
    FixedAxis,
    Frame,
    IdentityField,
    Limits,
    Linear,
    Lookup,
    Names,
    Pattern,
    Rational,
    Record,
    Region,
    Scaling,
    StoredAxis,
    StoredCount,
    TableSpec,
)

__all__ = [
    "Normal",
    "axis_from_normal",
    "fit_from_normal",
    "frame_from_normal",
    "identity_from_normal",
    "normal_axis",
    "normal_fit",
    "normal_frame",
    "normal_identity",
    "normal_of",
    "normal_region",
    "normal_scaling",
    "normal_table",
    "own_axis_name",
    "region_from_normal",
    "scaling_from_normal",
    "table_from_normal",
]

Normal = dict[str, Any]
"""a JSON object of the normal form"""

_LARGEST = 2**53 - 1
_LETTERS = "zyx"
_ERASED = 0xFF


def own_axis_name(table: str, dimension: int, dimensions: int) -> str:
    """The implied name of a table's own axis: the last dimension is x, the one before it y, then z."""
    return f"{table}.{_LETTERS[len(_LETTERS) - dimensions + dimension]}"


def _kept(**items: Any) -> Normal:
    """The items that say something: empty text, empty lists, False and None are defaults everywhere."""
    return {key: v for key, v in items.items() if not (v is None or v is False or v in ("", [], {}))}


def _integer(value: int) -> int | str:
    return value if -_LARGEST <= value <= _LARGEST else str(value)


def _unless(value: Fraction, default: int) -> str | None:
    return None if value == default else str(value)


def normal_of(definition: Definition) -> Normal:
    """The normal form of a whole definition. Compiling it gives an equal definition."""
    from caldiff.definition.checksum_normal import normal_checksum  # noqa: PLC0415 - a short run asks for no checksum

    return {
        "definition": 1,
        "name": definition.name,
        "image": normal_frame(definition.frame),
        **_kept(
            title=definition.title,
            fits=[normal_fit(fit) for fit in definition.fits],
            identity={name: normal_identity(field) for name, field in definition.identity.items()},
            regions=[normal_region(region) for region in definition.regions],
            scalings={name: normal_scaling(scaling) for name, scaling in definition.scalings.items()},
            axes={name: normal_axis(axis) for name, axis in definition.axes.items()},
            tables={name: normal_table(table) for name, table in definition.tables.items()},
            checksums=[normal_checksum(checksum) for checksum in definition.checksums.values()],
        ),
    }


# ----------------------------------------------------------------------------------------------------------- frame


def normal_frame(frame: Frame) -> Normal:
    """The ``image`` of a normal form."""
    erased = None if frame.erased == _ERASED else frame.erased
    return _kept(start=_integer(frame.start), size=_integer(frame.size), byte_order=frame.byte_order, erased=erased)


def frame_from_normal(item: Mapping[str, Any]) -> Frame:
    """The inverse of :func:`normal_frame`."""
    return Frame(
        start=int(item["start"]),
        size=int(item["size"]),
        byte_order=item["byte_order"],
        erased=item.get("erased", _ERASED),
    )


def normal_fit(fit: Fit) -> Normal:
    """An entry of ``fits``."""
    patterns = [_kept(value=p.value.hex(), mask=p.mask.hex(), text=p.text) for p in fit.any_of]
    return {"at": _integer(fit.at), "any_of": patterns}


def fit_from_normal(item: Mapping[str, Any]) -> Fit:
    """The inverse of :func:`normal_fit`."""
    patterns = (
        Pattern(value=bytes.fromhex(p["value"]), mask=bytes.fromhex(p["mask"]), text=p.get("text", False))
        for p in item["any_of"]
    )
    return Fit(at=int(item["at"]), any_of=tuple(patterns))


def normal_identity(field: IdentityField) -> Normal:
    """An entry of ``identity``, without its name."""
    return _kept(
        at=_integer(field.at),
        size=field.size,
        kind=field.kind,
        byte_order=field.byte_order,
        personal=field.personal or field.means == "vin",
        title=field.title,
        means=None if field.means == "free" else field.means,
        checksum=field.checksum,
    ) | ({} if field.check_digit is None else {"check_digit": field.check_digit})


def identity_from_normal(name: str, item: Mapping[str, Any]) -> IdentityField:
    """The inverse of :func:`normal_identity`."""
    return IdentityField(
        name=name,
        at=int(item["at"]),
        size=item["size"],
        kind=item["kind"],
        byte_order=item["byte_order"],
        personal=item.get("personal", False),
        title=item.get("title", ""),
        means=item.get("means", "free"),
        checksum=item.get("checksum", ""),
        check_digit=item.get("check_digit"),
    )


def normal_region(region: Region) -> Normal:
    """An entry of ``regions``."""
    return {
        "name": region.name,
        "start": _integer(region.start),
        "size": _integer(region.size),
        "role": region.role,
    }


def region_from_normal(item: Mapping[str, Any]) -> Region:
    """The inverse of :func:`normal_region`."""
    return Region(name=item["name"], start=int(item["start"]), size=int(item["size"]), role=item["role"])


# --------------------------------------------------------------------------------------------------------- scalings


def _normal_limits(limits: Limits | None) -> list[str] | None:
    return None if limits is None else [str(limits.low), str(limits.high)]


def _limits(item: list[str] | None) -> Limits | None:
    return None if item is None else Limits(low=Fraction(item[0]), high=Fraction(item[1]))


def _normal_names(names: Mapping[int, str]) -> list[list[int | str]]:
    return [[_integer(value), names[value]] for value in sorted(names)]


def _names(pairs: Iterable[Iterable[Any]]) -> dict[int, str]:
    return {int(value): name for value, name in pairs}


def _normal_conversion(conversion: Conversion) -> Normal:
    match conversion:
        case Linear(factor=factor, offset=offset):
            return _kept(linear=_kept(factor=_unless(factor, 1), offset=_unless(offset, 0)))
        case Rational(gives=gives, numerator=numerator, denominator=denominator):
            above, below = [str(c) for c in numerator], [str(c) for c in denominator]
            return {"rational": {"gives": gives, "numerator": above, "denominator": below}}
        case Lookup(points=points, between=between):
            return {"lookup": {"points": [[_integer(raw), str(p)] for raw, p in points], "between": between}}
        case Names(names=names):
            return {"names": _normal_names(names)}
        case Bits(fields=fields):
            bits = [_kept(name=f.name, mask=_integer(f.mask), names=_normal_names(f.names)) for f in fields]
            return {"bits": bits}


def _conversion(item: Mapping[str, Any]) -> Conversion:
    if "rational" in item:
        rational = item["rational"]
        above, below = (tuple(Fraction(c) for c in rational[key]) for key in ("numerator", "denominator"))
        (a, b, c), (d, e, f) = above, below
        return Rational(gives=rational["gives"], numerator=(a, b, c), denominator=(d, e, f))
    if "lookup" in item:
        points = tuple((int(raw), Fraction(p)) for raw, p in item["lookup"]["points"])
        return Lookup(points=points, between=item["lookup"]["between"])
    if "names" in item:
        return Names(names=_names(item["names"]))
    if "bits" in item:
        fields = (BitField(name=f["name"], mask=int(f["mask"]), names=_names(f.get("names", ()))) for f in item["bits"])
        return Bits(fields=tuple(fields))
    linear = item.get("linear", {})
    return Linear(factor=Fraction(linear.get("factor", 1)), offset=Fraction(linear.get("offset", 0)))


def normal_scaling(scaling: Scaling) -> Normal:
    """An entry of ``scalings``, or a scaling written in place; without its name."""
    return {
        **_kept(unit=scaling.unit, decimals=scaling.decimals, limits=_normal_limits(scaling.limits)),
        **_normal_conversion(scaling.conversion),
    }


def scaling_from_normal(name: str, item: Mapping[str, Any]) -> Scaling:
    """The inverse of :func:`normal_scaling`; ``name`` is empty for one written in place."""
    return Scaling(
        name=name,
        unit=item.get("unit", ""),
        decimals=item.get("decimals"),
        limits=_limits(item.get("limits")),
        conversion=_conversion(item),
    )


def _scaling_reference(scaling: Scaling) -> str | Normal:
    return scaling.name or normal_scaling(scaling)


def _scaling(item: str | Mapping[str, Any] | None, scalings: Mapping[str, Scaling]) -> Scaling:
    if item is None:
        return Scaling()
    return scalings[item] if isinstance(item, str) else scaling_from_normal("", item)


# -------------------------------------------------------------------------------------------------- axes and tables


def _normal_cells(cells: Cells) -> Normal:
    return _kept(
        at=_integer(cells.at),
        type=cells.type.name,
        byte_order=cells.byte_order,
        shape=list(cells.shape),
        strides=list(cells.strides),
        mask=None if cells.mask is None else _integer(cells.mask),
    )


def _cells(item: Mapping[str, Any]) -> Cells:
    return Cells(
        at=int(item["at"]),
        type=TYPES[item["type"]],
        byte_order=item["byte_order"],
        shape=tuple(item.get("shape", ())),
        strides=tuple(item.get("strides", ())),
        mask=int(item["mask"]) if "mask" in item else None,
    )


def _normal_count(count: StoredCount | None) -> Normal | None:
    if count is None:
        return None
    return {"at": _integer(count.at), "type": count.type.name, "byte_order": count.byte_order}


def _count(item: Mapping[str, Any] | None) -> StoredCount | None:
    if item is None:
        return None
    return StoredCount(at=int(item["at"]), type=TYPES[item["type"]], byte_order=item["byte_order"])


def normal_axis(axis: Axis) -> Normal:
    """An entry of ``axes``, or an axis written in a table; without its name."""
    about = _kept(quantity=axis.quantity, title=axis.title)
    if isinstance(axis, FixedAxis):
        return {"points": [str(p) for p in axis.points], **_kept(unit=axis.unit, decimals=axis.decimals), **about}
    scaling, count = _scaling_reference(axis.scaling), _normal_count(axis.count)
    return {"cells": _normal_cells(axis.cells), **_kept(count=count, scaling=scaling), **about}


def axis_from_normal(name: str, item: Mapping[str, Any], scalings: Mapping[str, Scaling], *, shared: bool) -> Axis:
    """The inverse of :func:`normal_axis`; named scalings are taken from ``scalings``."""
    quantity, title = item.get("quantity", ""), item.get("title", "")
    if "points" in item:
        return FixedAxis(
            name=name,
            points=tuple(Fraction(p) for p in item["points"]),
            unit=item.get("unit", ""),
            decimals=item.get("decimals"),
            quantity=quantity,
            title=title,
            shared=shared,
        )
    return StoredAxis(
        name=name,
        cells=_cells(item["cells"]),
        count=_count(item.get("count")),
        scaling=_scaling(item.get("scaling"), scalings),
        quantity=quantity,
        title=title,
        shared=shared,
    )


def _normal_record(record: Record | None) -> Normal | None:
    if record is None:
        return None
    align = None if record.align == 1 else record.align
    return _kept(at=_integer(record.at), parts=list(record.parts), align=align)


def _record(item: Mapping[str, Any] | None) -> Record | None:
    if item is None:
        return None
    return Record(at=int(item["at"]), parts=tuple(item["parts"]), align=item.get("align", 1))


def normal_table(table: TableSpec) -> Normal:
    """An entry of ``tables``, without its name; tags and aliases sorted, shared axes and named scalings by name."""
    axes = [axis.name if axis.shared else normal_axis(axis) for axis in table.axes]
    return {
        "kind": table.kind,
        "cells": _normal_cells(table.cells),
        **_kept(
            axes=axes,
            scaling=_scaling_reference(table.scaling),
            limits=_normal_limits(table.limits),
            title=table.title,
            description=table.description,
            group=table.group,
            tags=sorted(table.tags),
            aliases=sorted(table.aliases),
            encoding=None if table.encoding == "ascii" else table.encoding,
            record=_normal_record(table.record),
            corrects=_normal_correction(table.corrects),
            codes={flag: list(codes) for flag, codes in table.codes},
        ),
    }


def _normal_correction(corrects: Correction | None) -> Normal | None:
    if corrects is None:
        return None
    way = {} if corrects.way == "factor" else {"as": corrects.way}
    return {"measured": corrects.measured, "target": str(corrects.target), **way}


def table_from_normal(
    name: str, item: Mapping[str, Any], axes: Mapping[str, Axis], scalings: Mapping[str, Scaling]
) -> TableSpec:
    """The inverse of :func:`normal_table`; shared axes and named scalings are taken from the mappings."""
    written = item.get("axes", ())
    encoding: Literal["ascii", "latin-1"] = item.get("encoding", "ascii")
    return TableSpec(
        name=name,
        kind=item["kind"],
        cells=_cells(item["cells"]),
        axes=tuple(
            axes[axis]
            if isinstance(axis, str)
            else axis_from_normal(own_axis_name(name, dimension, len(written)), axis, scalings, shared=False)
            for dimension, axis in enumerate(written)
        ),
        scaling=_scaling(item.get("scaling"), scalings),
        limits=_limits(item.get("limits")),
        title=item.get("title", ""),
        description=item.get("description", ""),
        group=item.get("group", ""),
        tags=tuple(item.get("tags", ())),
        aliases=tuple(item.get("aliases", ())),
        encoding=encoding,
        record=_record(item.get("record")),
        corrects=_correction(item.get("corrects")),
        codes=tuple((flag, tuple(codes)) for flag, codes in sorted(item.get("codes", {}).items(), key=_in_order)),
    )


def _correction(item: Mapping[str, Any] | None) -> Correction | None:
    if item is None:
        return None
    target: str = item["target"]
    named = target[0].isalpha() or target[0] == "_"
    return Correction(
        measured=item["measured"], target=target if named else Fraction(target), way=item.get("as", "factor")
    )


def _in_order(item: tuple[str, Any]) -> tuple[int, str]:
    """Cells by number, flags by name."""
    key = item[0]
    return (int(key) if key.isdecimal() else 0, key)
