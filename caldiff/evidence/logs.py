"""Logs opened and tied together, to be read one after the other; afterwards they tell what was made of each."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from os import PathLike

import attrs

from caldiff.canonical import Digest
from caldiff.evidence.channels import Channels, Source, Ties, tie
from caldiff.evidence.log import Log
from caldiff.evidence.samples import Samples, Sampling, samples
from caldiff.value import Shown

__all__ = ["LogRead", "by_their_own_names", "open_logs", "rows_of"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class LogRead(Shown):
    """A log, the ties of its channels, and its samples, whose sums are complete once they were read."""

    log: Log
    ties: Ties
    sampling: Sampling


def by_their_own_names(quantities: Iterable[str]) -> Channels:
    """Where there is no channels file: a quantity is measured by the channel of its name."""
    return Channels(
        name="none",
        digest=Digest.of(b""),
        quantities=tuple((q, (Source(names=(q, q.replace("_", " "))),)) for q in quantities),
    )


def open_logs(
    paths: Iterable[str | PathLike[str]],
    channels: Channels,
    wanted: Mapping[str, str | None],
    *,
    needed: Collection[str] = (),
    choose: Mapping[str, str] | None = None,
) -> tuple[LogRead, ...]:
    """Open logs and tie what is wanted of each; what a condition asks for is needed too.

    Args:
        paths: the files.
        channels: what may measure what, and which rows count.
        wanted: quantities with the unit that each is wanted in, None for the log's own.
        needed: those that each log must have.
        choose: the channel of a quantity, where several may measure it.

    Raises:
        FileError: a file cannot be read.
        EvidenceError: it is no log; a needed channel is missing; several may measure one quantity; a unit is not clear.
    """
    conditions = channels.conditions
    every = {**conditions.wanted, **{quantity: unit or None for quantity, unit in wanted.items()}}
    out = []
    for path in paths:
        log = channels.open(path)
        ties = tie(channels, log, every, needed={*needed, *conditions.wanted}, choose=choose)
        here = [quantity for quantity in wanted if quantity in ties]
        out.append(LogRead(log=log, ties=ties, sampling=samples(log, ties, here, conditions)))
    return tuple(out)


def rows_of(reads: Iterable[LogRead]) -> Iterator[Samples]:
    """The samples of all logs, one log after the other."""
    for read in reads:
        yield from read.sampling
