"""Recovery data: what is kept beside a file to mend it.

A file of n blocks of 4 KiB has them dealt out in turn to g groups, of at most 128 blocks each, and of two groups at
least where there are two blocks. Each group has one parity block, which makes good any one block of the group that is
damaged or lost. Blocks that follow one another lie in different groups, so damage in one piece of up to
``(g - 1) * 4096 + 1`` bytes is mended wherever it begins. A file of one block has a copy of itself for parity.

    one line of canonical JSON: caldiff, version, file (its name in the vault), size, sha256; a newline
    CRC-32 of every block, 4 bytes each, big-endian
    the parity block of every group (4096 bytes; of a file of one block: as long as the file)
    SHA-256 of everything before

The checksums say which blocks are damaged; the SHA-256 in the first line proves what was mended.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence

import attrs

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import VaultError
from caldiff.value import Value

__all__ = ["BLOCK", "Mend", "make_mend", "read_mend", "rebuilt"]

BLOCK = 4096
_GROUP = 128
_LINE = 1024
"""bytes that the first line may have"""
_DIGEST = 32


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Mend(Value):
    """Recovery data of a file.

    Attributes:
        file: name of the file in the vault.
        size, digest: of the file when it was sound.
        intact: the recovery data is itself as it was written.
        checks: CRC-32 of every block. parity: the parity block of every group.
    """

    file: str
    size: int
    digest: Digest
    intact: bool
    checks: tuple[int, ...] = attrs.field(repr=False)
    parity: tuple[bytes, ...] = attrs.field(repr=False)


def _counts(size: int) -> tuple[int, int, int]:
    """Number of blocks, number of groups, length of a parity block."""
    blocks = -(-size // BLOCK)
    groups = max(-(-blocks // _GROUP), min(blocks, 2))
    return blocks, groups, size if blocks == 1 else BLOCK


def _blocks(data: bytes, size: int) -> list[bytes]:
    return [data[at : min(at + BLOCK, size)] for at in range(0, size, BLOCK)]


def _full(block: bytes, length: int) -> bytes:
    return block.ljust(length, b"\0")


def make_mend(name: str, data: bytes) -> bytes:
    """The recovery data of a file of that name and content."""
    _, groups, length = _counts(len(data))
    blocks = _blocks(data, len(data))
    head = {"caldiff": "mend", "version": 1, "file": name, "size": len(data), "sha256": Digest.of(data).hex}
    parts = [canonical_json(head), b"\n", *(zlib.crc32(block).to_bytes(4, "big") for block in blocks)]
    parts += [_parity([_full(block, length) for block in blocks[group::groups]]) for group in range(groups)]
    whole = b"".join(parts)
    return whole + bytes.fromhex(Digest.of(whole).hex)


def read_mend(data: bytes) -> Mend:
    """Read recovery data, even where it is damaged behind its first line: what it mends is proven anyway.

    Raises:
        VaultError: it is no recovery data, or damaged too much to be of use. No ``file``.
    """
    line = data[:_LINE].partition(b"\n")[0]
    name, size, digest = _head(line)
    blocks, groups, length = _counts(size)
    start = len(line) + 1
    if len(data) != start + 4 * blocks + groups * length + _DIGEST:
        raise VaultError("the recovery data is not as long as it should be", got=f"{len(data)} bytes")
    behind = start + 4 * blocks
    checks = tuple(int.from_bytes(data[at : at + 4], "big") for at in range(start, behind, 4))
    parity = tuple(data[at : at + length] for at in range(behind, behind + groups * length, length or 1))
    intact = bytes.fromhex(Digest.of(data[:-_DIGEST]).hex) == data[-_DIGEST:]
    return Mend(file=name, size=size, digest=digest, intact=intact, checks=checks, parity=parity)


def _head(line: bytes) -> tuple[str, int, Digest]:
    """Name, size and digest out of the first line."""
    try:
        head = json.loads(line)
        fine = isinstance(head, dict) and canonical_json(head) == line
    except (ValueError, TypeError, RecursionError):
        fine = False
    if not fine or sorted(head) != ["caldiff", "file", "sha256", "size", "version"]:
        raise VaultError("this is no recovery data, or its first line is damaged")
    name, size, digest = head["file"], head["size"], head["sha256"]
    if head["caldiff"] != "mend" or type(head["version"]) is not int or head["version"] != 1:
        raise VaultError("this is no recovery data of a form that is known")
    if not isinstance(name, str) or type(size) is not int or size < 0 or not isinstance(digest, str):
        raise VaultError("the first line of the recovery data makes no sense")
    try:
        return name, size, Digest(hex=digest)
    except ValueError as error:
        raise VaultError("the first line of the recovery data makes no sense") from error


def rebuilt(mend: Mend, damaged: bytes | None) -> bytes | None:
    """The file as it was, from what is left of it (None: nothing); None where too much is lost.

    What is given back has the digest that the recovery data tells.
    """
    blocks, groups, length = _counts(mend.size)
    have: list[bytes | None] = []
    for index, block in enumerate(_blocks((damaged or b"").ljust(mend.size, b"\0"), mend.size)):
        have.append(block if zlib.crc32(block) == mend.checks[index] else None)
    for group in range(groups):
        lost = [index for index in range(group, blocks, groups) if have[index] is None]
        if len(lost) > 1:
            return None
        if lost:
            others = [_full(have[i] or b"", length) for i in range(group, blocks, groups)]
            have[lost[0]] = _made_good(others, (lost[0] - group) // groups, mend.parity[group])
    data = b"".join(block or b"" for block in have)[: mend.size]
    return data if Digest.of(data) == mend.digest else None


# ------------------------------------------------------------------------------------------------------ erasure coding


def _parity(blocks: Sequence[bytes]) -> bytes:
    if len(blocks) == 1:
        return blocks[0]
    from zfec import Encoder  # noqa: PLC0415 - most files are small, and are their own parity

    many = len(blocks)
    parity: bytes = Encoder(many, many + 1).encode(tuple(blocks), (many,))[0]
    return parity


def _made_good(blocks: list[bytes], lost: int, parity: bytes) -> bytes:
    """The lost block of a group, from the others and the parity."""
    if len(blocks) == 1:
        return parity
    from zfec import Decoder  # noqa: PLC0415 - as above

    many = len(blocks)
    places = [many if index == lost else index for index in range(many)]
    given = [parity if index == lost else block for index, block in enumerate(blocks)]
    made: bytes = Decoder(many, many + 1).decode(tuple(given), tuple(places))[lost]
    return made
