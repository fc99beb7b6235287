"""Kinds of value that many sections of a definition share."""

from __future__ import annotations

from caldiff.definition.kinds import ADDRESSES, choice, integer, text

__all__ = ["ADDRESS", "BYTE_ORDER", "SHORT", "SIZE"]

ADDRESS = integer("an address", 0, ADDRESSES - 1)
SIZE = integer("a size in bytes, such as 4096, 0x1000 or 4 KiB", 1, ADDRESSES, size=True)
BYTE_ORDER = choice("big", "little")
SHORT = text(longest=1000)
