"""Records made by hand, golden files and generators of images, shared by the tests of the image room."""

from __future__ import annotations

from pathlib import Path

from hypothesis import strategies as st

from caldiff.image.model import Image, Segment

DATA = Path(__file__).parent / "data"


def ihex(kind: int, address: int, data: bytes = b"") -> bytes:
    """One Intel HEX record without its line end, reckoned by hand rather than by any library."""
    body = bytes([len(data), address >> 8, address & 0xFF, kind]) + data
    return b":" + (body + bytes([-sum(body) % 256])).hex().upper().encode()


def srec(kind: int, address: int, data: bytes = b"") -> bytes:
    """One S-record without its line end."""
    width = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}[kind]
    body = bytes([width + len(data) + 1]) + address.to_bytes(width, "big") + data
    return b"S%d" % kind + (body + bytes([255 - sum(body) % 256])).hex().upper().encode()


def lines(*records: bytes, end: bytes = b"\n") -> bytes:
    return b"".join(r + end for r in records)


def images(*, top: int, gaps: bool = True) -> st.SearchStrategy[Image]:
    """Images below ``top``, often with neighbours at 64 KiB multiples, where formats change their ways."""
    near = st.sampled_from(
        [a for a in (0, 0xFF80, 0x1_0000, 0xF_FFC0, 0x10_0000, 0xFF_FFF0, top - 400) if a < top - 399]
    )
    start = st.one_of(near, st.integers(0, top - 400))
    data = st.binary(min_size=1, max_size=150)
    one = st.builds(lambda a, d: [(a, d)], start, data)
    more = st.builds(
        lambda a, d, gap, e, gap2, f: [(a, d), (a + len(d) + gap, e), (a + len(d) + gap + len(e) + gap2, f)],
        start,
        st.binary(min_size=1, max_size=90),
        st.integers(0, 40),
        st.binary(min_size=1, max_size=90),
        st.integers(1, 40),
        st.binary(min_size=1, max_size=90),
    )
    parts = st.one_of(one, more) if gaps else one
    return parts.map(lambda found: Image(segments=tuple(Segment(start=a, data=d) for a, d in found)))
