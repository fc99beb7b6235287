"""Checksums in the normal form, as :mod:`caldiff.definition.normal` has the rest: JSON values <-> model objects.

``start`` is an address everywhere in the normal form, so the start value of a method is ``initial`` there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from caldiff.crc import Crc
from caldiff.definition.checksums import (
    Adler32,
    BlockList,
    Checksum,
    Coverage,
    Fletcher,
    Hash,
    Method,
    Opaque,
    Span,
    StoredField,
    Sum,
    Xor,
)
from caldiff.definition.model import TYPES, StoredCount

__all__ = ["checksum_from_normal", "normal_checksum"]

Normal = dict[str, Any]
_LARGEST = 2**53 - 1
_ADLER = "adler-32"
_MOST = 256


def _integer(value: int) -> int | str:
    return value if -_LARGEST <= value <= _LARGEST else str(value)


def _unless(value: Any, default: Any, key: str) -> Normal:
    return {} if value == default else {key: _integer(value) if type(value) is int else value}


def normal_checksum(checksum: Checksum) -> Normal:
    """An entry of ``checksums``."""
    coverage = checksum.coverage
    skip = sorted(coverage.skip, key=lambda span: (span.start, span.stop))
    return {
        "name": checksum.name,
        **_unless(checksum.title, "", "title"),
        **_normal_method(checksum.method),
        **_unless([_normal_span(span) for span in coverage.spans], [], "spans"),
        **_unless([_normal_span(span) for span in skip], [], "skip"),
        **_unless(coverage.own, "skip", "own"),
        **({} if coverage.blocks is None else {"blocks": _normal_blocks(coverage.blocks)}),
        "fields": [_normal_field(field) for field in checksum.fields],
        **_unless(checksum.constant, None, "constant"),
    }


def checksum_from_normal(item: Mapping[str, Any]) -> Checksum:
    """The inverse of :func:`normal_checksum`."""
    coverage = Coverage(
        spans=tuple(map(_span, item.get("spans", ()))),
        skip=tuple(map(_span, item.get("skip", ()))),
        own=item.get("own", "skip"),
        blocks=_blocks(item["blocks"]) if "blocks" in item else None,
    )
    return Checksum(
        name=item["name"],
        method=_method(item),
        coverage=coverage,
        fields=tuple(map(_field, item["fields"])),
        constant=int(item["constant"]) if "constant" in item else None,
        title=item.get("title", ""),
    )


# ----------------------------------------------------------------------------------------------------------- methods


def _normal_method(method: Method) -> Normal:
    match method:
        case Crc():
            return {
                "crc": {
                    "width": method.width,
                    "polynomial": _integer(method.polynomial),
                    "initial": _integer(method.start),
                    "reflect_in": method.reflect_in,
                    "reflect_out": method.reflect_out,
                    "final_xor": _integer(method.final_xor),
                }
            }
        case Sum():
            words: Normal = {"word": method.word.name, "byte_order": method.byte_order, "bits": method.bits}
            return {
                "sum": words | _unless(method.start, 0, "initial") | _unless(method.complement, "none", "complement")
            }
        case Xor():
            return {
                "xor": {
                    "word": method.word.name,
                    "byte_order": method.byte_order,
                    **_unless(method.start, 0, "initial"),
                }
            }
        case Fletcher():
            return {"fletcher": {"bits": method.bits, "byte_order": method.byte_order}}
        case Adler32() | Hash():
            return {"digest": _ADLER if isinstance(method, Adler32) else method.name}
        case Opaque():
            return {"opaque": method.what}


def _method(item: Mapping[str, Any]) -> Method:
    if "crc" in item:
        inside = item["crc"]
        return Crc(
            width=inside["width"],
            polynomial=int(inside["polynomial"]),
            start=int(inside["initial"]),
            reflect_in=inside["reflect_in"],
            reflect_out=inside["reflect_out"],
            final_xor=int(inside["final_xor"]),
        )
    if "sum" in item:
        inside = item["sum"]
        return Sum(
            word=TYPES[inside["word"]],
            byte_order=inside["byte_order"],
            bits=inside["bits"],
            start=int(inside.get("initial", 0)),
            complement=inside.get("complement", "none"),
        )
    if "xor" in item:
        inside = item["xor"]
        return Xor(word=TYPES[inside["word"]], byte_order=inside["byte_order"], start=int(inside.get("initial", 0)))
    if "fletcher" in item:
        return Fletcher(**item["fletcher"])
    if "digest" in item:
        return Adler32() if item["digest"] == _ADLER else Hash(name=item["digest"])
    return Opaque(what=item["opaque"])


# ------------------------------------------------------------------------------------------------ coverage and fields


def _normal_span(span: Span) -> Normal:
    return {"start": _integer(span.start), "size": _integer(span.size)}


def _span(item: Mapping[str, Any]) -> Span:
    return Span(start=int(item["start"]), stop=int(item["start"]) + int(item["size"]))


def _normal_blocks(blocks: BlockList) -> Normal:
    count = blocks.count
    if isinstance(count, StoredCount):
        stored: Any = {"at": _integer(count.at), "type": count.type.name, "byte_order": count.byte_order}
    else:
        stored = count
    return {
        "at": _integer(blocks.at),
        "type": blocks.type.name,
        "byte_order": blocks.byte_order,
        **_unless(stored, None, "count"),
        **_unless(blocks.terminator, None, "terminator"),
        **_unless(blocks.last, True, "last"),
        **_unless(blocks.most, _MOST, "most"),
    }


def _blocks(item: Mapping[str, Any]) -> BlockList:
    count = item.get("count")
    if isinstance(count, Mapping):
        count = StoredCount(at=int(count["at"]), type=TYPES[count["type"]], byte_order=count["byte_order"])
    return BlockList(
        at=int(item["at"]),
        type=TYPES[item["type"]],
        byte_order=item["byte_order"],
        count=count,
        terminator=int(item["terminator"]) if "terminator" in item else None,
        last=item.get("last", True),
        most=item.get("most", _MOST),
    )


def _normal_field(field: StoredField) -> Normal:
    return {
        "at": _integer(field.at),
        "size": field.size,
        "byte_order": field.byte_order,
        **_unless(field.inverted, False, "inverted"),
    }


def _field(item: Mapping[str, Any]) -> StoredField:
    return StoredField(
        at=int(item["at"]),
        size=item["size"],
        byte_order=item["byte_order"],
        inverted=item.get("inverted", False),
    )
