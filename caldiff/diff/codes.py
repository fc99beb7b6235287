"""Trouble codes that one image lets a vehicle report and another does not, by the tables that switch them.

A definition says of such a table which flag, or which cell, switches which codes (``codes``).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Literal

import attrs

from caldiff.definition.model import Bits, TableSpec
from caldiff.diff.model import Comparison, TableDiff
from caldiff.table.model import Table
from caldiff.value import Value

__all__ = ["SwitchState", "Switched", "listed_codes", "switched_codes"]

SwitchState = Literal["off", "on", "unknown"]
"""``unknown``: it was on, or may have been, and cannot be told to be on"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Switched(Value):
    """A code that was switched.

    Attributes:
        code: as it is printed.
        state: what it is now.
        table: what switches it, by the name in the comparison.
        flags: of the table, or the numbers of cells in array order, that were switched; empty where it cannot be told.
        address: of the table in the second image; None where it is not there.
    """

    code: str
    state: SwitchState
    table: str
    flags: tuple[str, ...]
    address: int | None


def switched_codes(comparison: Comparison) -> tuple[Switched, ...]:
    """Every code that a changed table switched, by code."""
    found = (one for diff in comparison.tables for one in _switched(comparison, diff))
    return tuple(sorted(found, key=lambda one: (one.code, one.table, one.state)))


def listed_codes(specs: Iterable[TableSpec]) -> frozenset[str]:
    """Every code that one of the tables switches."""
    return frozenset(code for spec in specs for _, codes in spec.codes for code in codes)


def _switched(comparison: Comparison, diff: TableDiff) -> Iterator[Switched]:
    definitions = comparison.before.definition, comparison.after.definition
    specs = [
        table.spec if table is not None else definition.find_table(diff.name) if definition is not None else None
        for table, definition in zip((diff.before, diff.after), definitions, strict=True)
    ]
    if not any(spec is not None and spec.codes for spec in specs):
        return
    was, now = _states(diff.before), _states(diff.after)
    for code in sorted(listed_codes(spec for spec in specs if spec is not None)):
        for state, flags in _moves(was.get(code), now.get(code)):
            address = None if diff.after is None else diff.after.at
            yield Switched(code=code, state=state, table=diff.name, flags=flags, address=address)


Flags = Mapping[str, bool]


def _states(table: Table | None) -> dict[str, dict[str, bool]]:
    """By code, the flags that switch it, and whether they are on; empty where there is no table."""
    found: dict[str, dict[str, bool]] = {}
    if table is not None:
        for flag, codes in table.spec.codes:
            states = dict(_flag_states(table, flag))
            for code in codes:
                found.setdefault(code, {}).update(states)
    return found


def _flag_states(table: Table, flag: str) -> Iterator[tuple[str, bool]]:
    """Whether a flag, in every cell, or the cell of a number, is not 0; a cell that is not there is off."""
    cells = table.raw.ravel().tolist()
    if flag.isdecimal():
        yield flag, int(flag) < len(cells) and bool(cells[int(flag)])
        return
    conversion = table.spec.scaling.conversion
    fields = conversion.fields if isinstance(conversion, Bits) else ()
    mask = next((field.mask for field in fields if field.name == flag), 0)
    for number, raw in enumerate(cells):
        yield flag if len(cells) == 1 else f"{flag} of cell {number}", bool(int(raw) & mask)


def _moves(was: Flags | None, now: Flags | None) -> Iterator[tuple[SwitchState, tuple[str, ...]]]:
    """What became of one code."""
    if now is None or was is None:
        lost = now is None and (was is None or any(was.values()))
        if lost or (now is not None and not any(now.values())):
            yield "unknown", ()
    elif was.keys() == now.keys():
        off = tuple(flag for flag, on in was.items() if on and not now[flag])
        on = tuple(flag for flag, on in now.items() if on and not was[flag])
        yield from (("off", off),) if off else ()
        yield from (("on", on),) if on else ()
    elif any(was.values()) != any(now.values()):
        yield ("on", tuple(f for f, on in now.items() if on)) if any(now.values()) else ("off", tuple(now))
