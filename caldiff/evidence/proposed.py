"""Corrections on paper, as frozen values: what is proposed for each cell, and the evidence beside it."""

from __future__ import annotations

from collections.abc import Iterator

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import Correction
from caldiff.evidence.covered import Bools, LeftOut
from caldiff.table.model import Floats, Raw, Table
from caldiff.value import Shown, Value

__all__ = ["CellChange", "Proposal", "Restraint", "TableProposal"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Restraint(Value):
    """What holds a proposal back.

    Attributes:
        bound: the largest correction of a cell in one go, as a share: 0.05 leaves factors of 0.95 to 1.05.
        thin: seconds of evidence at which half of the measured correction is taken; of ``s`` seconds, ``s/(s + thin)``.
        least: seconds of evidence below which a cell is left alone.
        credible: samples with another ratio of measured to target than between these two are left out, for nothing
            that a table corrects is so far off: fuel is cut, or the sensor is at its end.
    """

    bound: float = 0.05
    thin: float = 5.0
    least: float = 1.0
    credible: tuple[float, float] = (0.7, 1.4)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class CellChange(Value):
    """One cell of the change set.

    Attributes:
        index: in array order.
        raw, physical: before and after.
        measured: the mean of measured/target, weighted by share and time; spread: its standard deviation.
        factor: what was made of it.
        seconds: of evidence, by the shares of interpolation. samples: how many have a share.
        bounded: the bound was met. limited: the table's limits, or its type, were met.
    """

    index: tuple[int, ...]
    raw: tuple[float, float]
    physical: tuple[float, float]
    measured: float
    spread: float
    factor: float
    seconds: float
    samples: int
    bounded: bool
    limited: bool


@attrs.frozen(kw_only=True, eq=False, repr=False)
class TableProposal(Shown):
    """What is proposed for one table; arrays of its shape.

    Attributes:
        table: as it ran. correction: what the definition says of it.
        measured, spread, seconds, samples, bounded, limited: as of :class:`CellChange`; NaN where there is no evidence.
        factor: 1 where a cell is left alone.
        raw, physical: as proposed; equal to the table's where nothing is.
        total: seconds taken in. incredible: seconds left out, their ratio being none that a table corrects.
    """

    table: Table
    correction: Correction
    measured: Floats
    spread: Floats
    seconds: Floats
    samples: npt.NDArray[np.intp]
    factor: Floats
    raw: Raw
    physical: Floats
    bounded: Bools
    limited: Bools
    total: float
    incredible: float

    @property
    def name(self) -> str:
        """The table's name."""
        return self.table.name

    @property
    def changed(self) -> Bools:
        """The cells for which another raw value is proposed."""
        return np.asarray(self.raw != self.table.raw)

    @property
    def cells(self) -> Iterator[CellChange]:
        """The change set, in array order."""
        for place in np.argwhere(self.changed).tolist():
            index = tuple(place)
            yield CellChange(
                index=index,
                raw=(self.table.raw[index].item(), self.raw[index].item()),
                physical=(float(self.table.physical[index]), float(self.physical[index])),
                measured=float(self.measured[index]),
                spread=float(self.spread[index]),
                factor=float(self.factor[index]),
                seconds=float(self.seconds[index]),
                samples=int(self.samples[index]),
                bounded=bool(self.bounded[index]),
                limited=bool(self.limited[index]),
            )

    def __repr__(self) -> str:
        return f"<TableProposal {self.name}: {int(self.changed.sum())} of {self.raw.size} cells>"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Proposal(Shown):
    """A change set on paper. Nothing is written.

    Attributes:
        label: of the image that ran.
        restraint: what it was held back by.
        tables: those with evidence. left_out: those that correct something and had none, or could not be used.
        cautions: what to mind before anything is made of it, in words.
    """

    label: str
    restraint: Restraint
    tables: tuple[TableProposal, ...]
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]

    def __getitem__(self, name: str) -> TableProposal:
        """The proposal for a table. Raises KeyError where there is none."""
        for table in self.tables:
            if table.name == name:
                return table
        raise KeyError(name)
