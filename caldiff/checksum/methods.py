"""Every method of reckoning a checksum, over bytes that are already gathered."""

from __future__ import annotations

import hashlib
import zlib

import numpy as np
import numpy.typing as npt

from caldiff.crc import Crc, reckon_crc
from caldiff.definition.checksums import Adler32, Fletcher, Hash, Method, Opaque, Sum, Xor
from caldiff.definition.model import ByteOrder, ElementType
from caldiff.errors import ChecksumError

__all__ = ["reckon", "words"]

_ROW = 4096
"""words of a Fletcher sum taken as one row: 4096 times 65535 still fits 32 bits, which numpy sums fastest"""

_NARROW = 32


def reckon(method: Method, data: bytes | bytearray | memoryview) -> int:
    """The method's result over the bytes; a digest as one number, its first byte the most significant.

    Raises:
        ChecksumError: the bytes are no whole number of words, or the method is opaque.
    """
    match method:
        case Crc():
            return reckon_crc(method, data)
        case Sum():
            return _sum(method, data)
        case Xor():
            return _xor(method, data)
        case Adler32():
            return zlib.adler32(data)
        case Fletcher():
            return _fletcher(method, data)
        case Hash():
            name = method.name.replace("sha-1", "sha1").replace("-", "")
            return int.from_bytes(hashlib.new(name, data, usedforsecurity=False).digest(), "big")
        case Opaque():
            raise ChecksumError(f"this cannot be reckoned here: {method.what}")


def words(
    data: bytes | bytearray | memoryview, word: ElementType, byte_order: ByteOrder
) -> npt.NDArray[np.unsignedinteger]:
    """The bytes as words, shape ``(n,)``, without a copy.

    Raises:
        ChecksumError: the bytes are no whole number of words.
    """
    if len(data) % word.size:
        raise ChecksumError(
            f"what is covered is no whole number of {word.size}-byte words",
            expected=f"a multiple of {word.size} bytes",
            got=f"{len(data)} bytes",
        )
    return np.frombuffer(data, f"{'>' if byte_order == 'big' else '<'}u{word.size}")


def _sum(method: Sum, data: bytes | bytearray | memoryview) -> int:
    wrap = np.uint32 if method.bits <= _NARROW else np.uint64  # numpy's sums wrap, and narrow ones are faster
    total = method.start + int(words(data, method.word, method.byte_order).sum(dtype=wrap))
    match method.complement:
        case "ones":
            total = ~total
        case "twos":
            total = -total
        case "none":
            pass
    return total & ((1 << method.bits) - 1)


def _xor(method: Xor, data: bytes | bytearray | memoryview) -> int:
    return method.start ^ int(np.bitwise_xor.reduce(words(data, method.word, method.byte_order)))


def _fletcher(method: Fletcher, data: bytes | bytearray | memoryview) -> int:
    """The second sum is that of all running first sums: word ``i`` of ``n`` counts ``n - i`` times in it."""
    half = method.bits // 2
    modulus = (1 << half) - 1
    found = words(data, ElementType(name=f"u{half}", size=half // 8, kind="u"), method.byte_order)
    low = high = 0
    for at in range(0, len(found), 256 * _ROW):
        part = found[at : at + 256 * _ROW]
        whole = len(part) // _ROW * _ROW
        for block in (part[:whole].reshape(-1, _ROW), part[whole:].reshape(1, -1)):
            rows, width = block.shape
            down = block.sum(axis=0, dtype=np.uint32).astype(np.uint64)
            across = block.sum(axis=1, dtype=np.uint32).astype(np.uint64)
            weighted = int(np.dot(across, np.arange(rows, 0, -1, dtype=np.uint64))) * width
            weighted -= int(np.dot(down, np.arange(width, dtype=np.uint64)))
            high = (high + low * block.size + weighted) % modulus
            low = (low + int(across.sum())) % modulus
    return high << half | low
