"""Pages under a seal: what is found, when, and how it is made good."""

from __future__ import annotations

from typing import Any

import pytest

from caldiff.definition.compiled import compile_family, compile_normal, open_any, open_compiled
from caldiff.definition.index import place_arrays
from caldiff.definition.pages import DamagedError, Pages, sealed

KEY = b"a secret of this user's" + b"\0" * 9
PAGE = 16 * 1024


def many(tables: int, at: int = 0x1000) -> dict[str, Any]:
    """A normal form of some pages."""
    value = {"kind": "value", "title": "t" * 200}
    return {
        "definition": 1,
        "name": "many",
        "image": {"start": 0, "size": 1 << 20, "byte_order": "big"},
        "tables": {
            f"table_{n:04d}": {**value, "cells": {"at": at + 2 * n, "type": "u16", "byte_order": "big"}}
            for n in range(tables)
        },
    }


def harmed(data: bytes, needle: bytes) -> bytes:
    at = data.index(needle)
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


def record_of(name: str) -> bytes:
    """The last letters of the record, by its own address."""
    return b'"at":%d,' % (0x1000 + 2 * int(name[-4:]))


def test_damage_is_found_when_it_is_read_and_not_before() -> None:
    data = compile_normal(many(400), key=KEY)
    assert len(data) > 4 * PAGE
    definition = open_compiled(harmed(data, record_of("table_0200")), key=KEY)
    assert definition.tables["table_0000"].cells.at == 0x1000
    assert definition.index.touching([(0x1000, 0x1001)]).tables == ("table_0000",)
    with pytest.raises(DamagedError, match="damaged"):
        definition.tables["table_0200"]


def test_damage_is_made_good_without_a_word_where_the_source_is_at_hand() -> None:
    data = compile_normal(many(400), key=KEY)
    calls: list[int] = []

    def rebuild() -> bytes:
        calls.append(1)
        return data

    definition = open_compiled(harmed(data, record_of("table_0200")), key=KEY, rebuild=rebuild)
    assert not calls
    assert definition.tables["table_0200"].cells.at == 0x1000 + 2 * 200
    assert definition.tables["table_0201"].cells.at == 0x1000 + 2 * 201
    assert calls == [1]


def test_a_source_that_changed_meanwhile_does_not_slip_in() -> None:
    data = compile_normal(many(400), key=KEY)
    other = compile_normal(many(400, at=0x2000), key=KEY)
    definition = open_compiled(harmed(data, record_of("table_0200")), key=KEY, rebuild=lambda: other)
    with pytest.raises(DamagedError, match="changed while it was in use"):
        definition.tables["table_0200"]


def test_the_seal_covers_every_byte_of_a_file() -> None:
    data = sealed(b"x" * (PAGE + 100), KEY)
    for at in (*range(64), PAGE - 1, PAGE, PAGE + 64, len(data) - 1):
        changed = data[:at] + bytes([data[at] ^ 0x80]) + data[at + 1 :]
        with pytest.raises(DamagedError):
            Pages(changed, KEY).view(0, PAGE + 100)
    assert bytes(Pages(data, KEY).view(PAGE - 2, PAGE + 2)) == b"xxxx"


def test_nothing_follows_the_last_page() -> None:
    data = sealed(b"x" * PAGE, KEY)
    for whole in (data + b"\0", data[:-1], data[:30], b""):
        with pytest.raises(DamagedError):
            Pages(whole, KEY)


def test_pages_do_not_change_places() -> None:
    first, second = b"a" * PAGE, b"b" * PAGE
    data = bytearray(sealed(first + second, KEY))
    data[-2 * PAGE :] = second + first
    with pytest.raises(DamagedError):
        Pages(bytes(data), KEY).view(0, 1)


def test_nothing_points_outside() -> None:
    pages = Pages(sealed(b"abc", KEY), KEY)
    assert bytes(pages.view(0, 3)) == b"abc"
    for start, stop in ((0, 4), (-1, 2), (2, 1)):
        with pytest.raises(DamagedError):
            pages.view(start, stop)


@pytest.mark.parametrize("body", [b"", b"\0" * 8, b"\xff" * 16, b"\x08\0\0\0\x02\0\0\0{}", b"\x08\0\0\0\x02\0\0\0[]"])
def test_a_well_sealed_body_that_says_nothing_is_refused(body: bytes) -> None:
    with pytest.raises(DamagedError):
        open_compiled(sealed(body, KEY), key=KEY)


def test_a_family_says_that_it_is_one() -> None:
    data = compile_family([("wren", "ab" * 32)], key=KEY)
    opened = open_any(data, key=KEY)
    assert opened.definition is None
    assert opened.sources == (("wren", "ab" * 32),)
    with pytest.raises(DamagedError):
        open_compiled(data, key=KEY)


# ------------------------------------------------------------------------------------------------------ the index


def test_nested_intervals_lie_in_layers() -> None:
    arrays = place_arrays([[(0, 100)], [(10, 20)], [(12, 14)], [(20, 30)], [(90, 110)], []])
    assert list(arrays.layers) == [2, 4, 5]
    for first, last in zip([0, *arrays.layers], arrays.layers, strict=False):
        assert list(arrays.stops[first:last]) == sorted(arrays.stops[first:last])
        assert list(arrays.starts[first:last]) == sorted(arrays.starts[first:last])
    assert arrays.touching([(13, 14)]) == [0, 1, 2]
    assert arrays.touching([(14, 15), (29, 30)]) == [0, 1, 3]
    assert arrays.touching([(109, 200)]) == [4]
    assert arrays.touching([(110, 200)]) == []
    assert arrays.touching([]) == []
    assert arrays.touching([(80, 90)]) == [0]
    assert arrays.touching([(1, 2), (3, 4), (80, 90), (200, 201)]) == [0]
    # more ranges than there are intervals in a layer: looked up the other way about
    assert arrays.touching([(5, 6), (13, 14), (20, 21), (80, 81)]) == [0, 1, 2, 3]
    assert arrays.touching([(100, 101), (105, 106), (110, 111), (300, 301)]) == [4]


def test_an_empty_definition_touches_nothing() -> None:
    assert open_compiled(compile_normal(many(0))).index.touching([(0, 100)]).tables == ()
