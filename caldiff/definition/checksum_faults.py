"""What a checksum must be to make sense, whatever the image."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

from caldiff.crc import Crc
from caldiff.definition.checksums import Adler32, BlockList, Checksum, Fletcher, Hash, Method, Opaque, Sum, Xor
from caldiff.errors import CaldiffError, DefinitionError

__all__ = ["faults", "method_bits", "sound"]

_CRC_BITS = range(3, 65)
_SUM_BITS = range(8, 65)
_BLOCKS = range(1, 4097)
_BYTE = range(256)
_DIGESTS = {"md5": 128, "sha-1": 160, "sha-256": 256}


def method_bits(method: Method) -> int | None:
    """The bits of the method's result; None for an opaque one."""
    match method:
        case Crc():
            return method.width
        case Sum() | Fletcher():
            return method.bits
        case Xor():
            return 8 * method.word.size
        case Adler32():
            return 32
        case Hash():
            return _DIGESTS[method.name]
        case Opaque():
            return None


# ------------------------------------------------------------------------------------------------------------ faults


def sound(checksums: Iterable[Checksum]) -> tuple[Checksum, ...]:
    """The checksums, once nothing is wrong with them by themselves.

    Raises:
        DefinitionError: every fault of every one, and names that two of them share.
    """
    found = tuple(checksums)
    problems = [CaldiffError(f"checksum {c.name}: {fault}") for c in found for fault in faults(c)]
    names = [c.name for c in found]
    problems += [
        CaldiffError(f"two checksums are called {name}") for name in sorted({n for n in names if names.count(n) > 1})
    ]
    if problems:
        raise DefinitionError(problems)
    return found


def faults(checksum: Checksum) -> list[str]:
    """What is wrong with a checksum whatever the image: each one sentence without a full stop."""
    return [*_method_faults(checksum.method), *_coverage_faults(checksum), *_field_faults(checksum)]


def _method_faults(method: Method) -> Iterator[str]:
    if isinstance(method, Sum | Xor) and method.word.kind != "u":
        yield f"words are of an unsigned type, not {method.word.name}"
    match method:
        case Crc():
            yield from _crc_faults(method)
        case Sum() if method.bits not in _SUM_BITS:
            yield f"a sum has {_SUM_BITS.start} to {_SUM_BITS.stop - 1} bits, not {method.bits}"
        case Sum() | Xor() if not 0 <= method.start < 1 << (method_bits(method) or 0):
            yield f"the start 0x{method.start:X} does not fit {method_bits(method)} bits"
        case _:
            pass


def _crc_faults(crc: Crc) -> Iterator[str]:
    if crc.width not in _CRC_BITS:
        yield f"a CRC has {_CRC_BITS.start} to {_CRC_BITS.stop - 1} bits, not {crc.width}"
        return
    for name, value in (("polynomial", crc.polynomial), ("start", crc.start), ("final xor", crc.final_xor)):
        if not 0 <= value < 1 << crc.width:
            yield f"the {name} 0x{value:X} does not fit {crc.width} bits"
    if not crc.polynomial & 1:
        yield "a CRC's polynomial is odd, written without its highest term and not reversed"


def _coverage_faults(checksum: Checksum) -> Iterator[str]:
    coverage = checksum.coverage
    if not coverage.spans and coverage.blocks is None:
        yield "it covers nothing"
    for span in (*coverage.spans, *coverage.skip):
        if not 0 <= span.start < span.stop:
            yield f"a range from 0x{span.start:08X} to before 0x{span.stop:08X} holds nothing"
    if isinstance(coverage.own, int) and coverage.own not in _BYTE:
        yield f"its own bytes cannot count as {coverage.own}: a byte is 0 to 255"
    if (
        checksum.constant is None
        and coverage.own == "stored"
        and isinstance(checksum.method, Hash | Fletcher | Adler32)
    ):
        yield "its own bytes cannot count as stored: no value could be worked out that agrees with itself"
    if coverage.blocks is not None:
        yield from _block_faults(coverage.blocks)


def _block_faults(blocks: BlockList) -> Iterator[str]:
    if blocks.type.kind != "u":
        yield f"the addresses of a block list are of an unsigned type, not {blocks.type.name}"
    if blocks.at < 0:
        yield "the block list starts below address 0"
    if (blocks.count is None) == (blocks.terminator is None):
        yield "a block list has either a count or an address that ends it"
    if isinstance(blocks.count, int) and not 0 < blocks.count <= blocks.most:
        yield f"a block list of {blocks.count} blocks, where 1 to {blocks.most} may be"
    if blocks.most not in _BLOCKS:
        yield f"a block list is read for {_BLOCKS.start} to {_BLOCKS.stop - 1} blocks, not {blocks.most}"


def _field_faults(checksum: Checksum) -> Iterator[str]:
    bits = method_bits(checksum.method)
    if not checksum.fields:
        yield "it is stored nowhere"
    for field in checksum.fields:
        if field.at < 0 or field.size < 1:
            yield f"its field at 0x{field.at:08X} holds nothing"
        elif checksum.constant is None and bits and 8 * field.size < bits and not isinstance(checksum.method, Hash):
            yield f"its field at 0x{field.at:08X} is too small: {bits} bits do not fit {field.size} bytes"
    taken = sorted((f.at, f.stop) for f in checksum.fields)
    if any(one[1] > two[0] for one, two in pairwise(taken)):
        yield "two of its fields overlap"
    if checksum.constant is not None:
        if not isinstance(checksum.method, Crc | Sum | Xor):
            yield "only a sum, an exclusive or and a CRC can have a compensation word"
        elif len(checksum.fields) != 1:
            yield "there is one compensation word, not several"
        elif bits and not 0 <= checksum.constant < 1 << bits:
            yield f"the constant 0x{checksum.constant:X} does not fit {bits} bits"
