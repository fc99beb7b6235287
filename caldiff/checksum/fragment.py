"""Checksums as a definition spells them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from caldiff.crc import Crc, crc_name
from caldiff.definition.checksum_faults import method_bits
from caldiff.definition.checksums import (
    Adler32,
    BlockList,
    Checksum,
    Fletcher,
    Hash,
    Method,
    Opaque,
    Span,
    StoredField,
    Sum,
    Xor,
)
from caldiff.definition.model import Region

__all__ = ["fragment"]

_MOST = 256
"""the default of ``BlockList.most``"""


def fragment(checksums: Iterable[tuple[Checksum, str]], regions: Iterable[Region]) -> str:
    """A ``checksums:`` section in YAML; above each checksum a comment, which may be empty.

    What is covered is named where it is a region. A method that is opaque says so in words.
    """
    names = {(r.start, r.stop): r.name for r in regions if r.name}
    lines = ["checksums:"]
    for checksum, comment in checksums:
        lines += [f"  # {line}" for line in comment.splitlines()]
        entries = list(_entries(checksum, names))
        lines += [f"  {'- ' if n == 0 else '  '}{key}: {value}" for n, (key, value) in enumerate(entries)]
    return "\n".join(lines) + "\n"


def _entries(checksum: Checksum, names: Mapping[tuple[int, int], str]) -> Iterable[tuple[str, str]]:
    coverage = checksum.coverage
    yield "name", checksum.name
    if checksum.title:
        yield "title", _text(checksum.title)
    if coverage.spans:
        yield "over", _list(names.get((s.start, s.stop)) or _span(s) for s in coverage.spans)
    if coverage.skip:
        yield "skip", _list(_span(s) for s in coverage.skip)
    if coverage.blocks is not None:
        yield "blocks", _blocks(coverage.blocks)
    if coverage.own != "skip":
        yield "own", coverage.own if isinstance(coverage.own, str) else f"0x{coverage.own:02X}"
    yield _method(checksum.method)
    if checksum.constant is not None:
        yield "constant", _hex(checksum.constant, method_bits(checksum.method) or 0)
    fields = [_field(f) for f in checksum.fields]
    yield "stored", fields[0] if len(fields) == 1 else _list(fields)


def _method(method: Method) -> tuple[str, str]:
    match method:
        case Crc():
            return "crc", crc_name(method) or _parameters(method)
        case Sum() | Xor():
            return _words(method)
        case Fletcher():
            return "fletcher", _mapping(bits=str(method.bits), byte_order=method.byte_order)
        case Adler32():
            return "digest", "adler-32"
        case Hash():
            return "digest", method.name
        case Opaque():
            return "opaque", _text(method.what)


def _parameters(crc: Crc) -> str:
    return _mapping(
        width=str(crc.width),
        polynomial=_hex(crc.polynomial, crc.width),
        start=_hex(crc.start, crc.width),
        reflect_in=str(crc.reflect_in).lower(),
        reflect_out=str(crc.reflect_out).lower(),
        final_xor=_hex(crc.final_xor, crc.width),
    )


def _words(method: Sum | Xor) -> tuple[str, str]:
    order = method.byte_order if method.word.size > 1 else ""
    start = _hex(method.start, method_bits(method) or 0) if method.start else ""
    if isinstance(method, Xor):
        return "xor", _mapping(words=method.word.name, byte_order=order, start=start)
    complement = "" if method.complement == "none" else method.complement
    return "sum", _mapping(
        words=method.word.name, byte_order=order, bits=str(method.bits), start=start, complement=complement
    )


def _field(field: StoredField) -> str:
    known = {1, 2, 4, 8}
    return _mapping(
        at=_hex(field.at, 32),
        **({"type": f"u{8 * field.size}"} if field.size in known else {"size": str(field.size)}),
        byte_order=field.byte_order if field.size > 1 else "",
        inverted="true" if field.inverted else "",
    )


def _blocks(blocks: BlockList) -> str:
    count = blocks.count
    return _mapping(
        at=_hex(blocks.at, 32),
        type=blocks.type.name,
        byte_order=blocks.byte_order,
        count=""
        if count is None
        else str(count)
        if isinstance(count, int)
        else _mapping(at=_hex(count.at, 32), type=count.type.name, byte_order=count.byte_order),
        until="" if blocks.terminator is None else _hex(blocks.terminator, 8 * blocks.type.size),
        last="" if blocks.last else "false",
        most="" if blocks.most == _MOST else str(blocks.most),
    )


def _span(span: Span) -> str:
    return _mapping(at=_hex(span.start, 32), size=f"0x{span.size:X}")


def _mapping(**entries: str) -> str:
    return "{" + ", ".join(f"{key}: {value}" for key, value in entries.items() if value) + "}"


def _list(items: Iterable[str]) -> str:
    return "[" + ", ".join(items) + "]"


def _hex(value: int, bits: int) -> str:
    return f"0x{value:0{-(-bits // 4)}X}"


def _text(text: str) -> str:
    """In double quotes, which YAML and JSON spell alike."""
    import json  # noqa: PLC0415 - only titles ask for it

    return json.dumps(text, ensure_ascii=False)
