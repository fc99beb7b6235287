"""What a shop's loggers call the quantities of a definition, and the tie of one log's channels to them."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from fnmatch import fnmatchcase
from fractions import Fraction
from os import PathLike

import attrs

from caldiff.canonical import Digest
from caldiff.errors import EvidenceError
from caldiff.evidence.conditions import Conditions
from caldiff.evidence.log import ChannelInfo, Log, open_log
from caldiff.evidence.units import MASS_RATIO, ONE, Affine, conversion, spelled
from caldiff.value import Value

__all__ = ["Channels", "Missing", "Source", "Tie", "Ties", "tie"]

_ALL = Conditions()
_SAME = Affine()


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Source(Value):
    """Channels that measure a quantity.

    Attributes:
        names: names or patterns with ``*`` and ``?``; case and spaces around do not count.
        unit: what the logger means where it says no unit.
        stoichiometric: air to fuel, as a ratio of masses: such a ratio, divided by it, is lambda.
    """

    names: tuple[str, ...]
    unit: str | None = None
    stoichiometric: Fraction | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Channels(Value):
    """A channels file.

    Attributes:
        digest: of the file; where it extends others, of the digests of all of them, its own first.
        time_names, time_unit: what the time column is called, and is in where it does not say.
        spellings: units as loggers write them, and what they mean.
        quantities: by name, what may measure it.
        conditions: which rows count, where the file says so.
    """

    name: str
    digest: Digest
    title: str = ""
    time_names: tuple[str, ...] = ()
    time_unit: str | None = None
    decimal: str | None = None
    spellings: tuple[tuple[str, str], ...] = ()
    quantities: tuple[tuple[str, tuple[Source, ...]], ...] = ()
    conditions: Conditions = _ALL

    def open(self, path: str | PathLike[str]) -> Log:
        """The log in a file, its time column as said here. Raises as :func:`caldiff.evidence.log.open_log`."""
        return open_log(path, time=self.time_names or None, time_unit=self.time_unit, decimal=self.decimal)

    def meant(self, unit: str | None) -> str | None:
        """A logger's unit, in a spelling that is known."""
        return None if unit is None else dict(self.spellings).get(unit, unit)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Tie(Value):
    """A quantity, and the channel that measures it.

    Attributes:
        channel: its name in the log; said: the unit it is in, None where nobody says.
        unit: the unit wanted, in which samples are given; None where no unit is wanted.
        conversion: from one to the other.
        stoichiometric: the ratio that the conversion rests on, where it makes lambda of a ratio of masses.
    """

    quantity: str
    channel: str
    said: str | None = None
    unit: str | None = None
    conversion: Affine = _SAME
    stoichiometric: Fraction | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Missing(Value):
    """A quantity that the log does not measure, or that the channels file does not list; channels that come near."""

    quantity: str
    listed: bool
    near: tuple[str, ...] = ()


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Ties(Value):
    """The quantities wanted, tied to a log or missing from it."""

    log: str
    tied: tuple[Tie, ...] = ()
    missing: tuple[Missing, ...] = ()

    def __contains__(self, quantity: object) -> bool:
        return any(tie.quantity == quantity for tie in self.tied)

    def of(self, quantity: str) -> Tie:
        """The tie of a quantity. Raises EvidenceError where it is not tied."""
        for found in self.tied:
            if found.quantity == quantity:
                return found
        near = next((missing.near for missing in self.missing if missing.quantity == quantity), ())
        raise _lacking(self.log, quantity, near, listed=True)


def tie(
    channels: Channels,
    log: Log,
    wanted: Mapping[str, str | None],
    *,
    needed: Collection[str] = (),
    choose: Mapping[str, str] | None = None,
) -> Ties:
    """Tie quantities to the channels of a log.

    Args:
        channels: what may measure what.
        log: the log.
        wanted: quantities, each with the unit that it is wanted in; None takes the log's own.
        needed: those that must be there; any other may be missing, and is then listed.
        choose: the channel of a quantity, where several may measure it.

    Raises:
        EvidenceError: a needed quantity is missing, several channels may measure one, or a unit is not said, not known
            or cannot be converted.
    """
    tied, missing = [], []
    sources = dict(channels.quantities)
    chosen = choose or {}
    for quantity, unit in wanted.items():
        found = _candidates(sources.get(quantity, ()), log, chosen.get(quantity))
        if len(found) > 1:
            raise EvidenceError(
                f"several channels may measure {quantity}",
                file=log.name,
                expected="one channel",
                got=", ".join(info.name for info, _ in found),
                hint="choose one, or say its name more narrowly in the channels file",
            )
        if found:
            tied.append(_tied(channels, log, quantity, unit, *found[0]))
            continue
        near = _near(quantity, sources.get(quantity, ()), log)
        if quantity in needed:
            raise _lacking(log.name, quantity, near, listed=quantity in sources, known=log.channels)
        missing.append(Missing(quantity=quantity, listed=quantity in sources, near=near))
    return Ties(log=log.name, tied=tuple(tied), missing=tuple(missing))


def _candidates(sources: tuple[Source, ...], log: Log, chosen: str | None) -> list[tuple[ChannelInfo, Source]]:
    """The channels that may measure it: those called so; if none is, those that a pattern fits."""
    if chosen is not None:
        info = log.channel(chosen)
        fitting = [source for source in sources if _called(info, source) or _fits(info, source)]
        return [(info, fitting[0] if fitting else Source(names=(chosen,)))]
    for fits in (_called, _fits):
        found = {
            info.name: (info, source) for source in reversed(sources) for info in log.channels if fits(info, source)
        }
        if found:
            return list(found.values())
    return []


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()


def _called(info: ChannelInfo, source: Source) -> bool:
    return bool({_folded(info.name), _folded(info.text)} & {_folded(name) for name in source.names})


def _fits(info: ChannelInfo, source: Source) -> bool:
    return any(fnmatchcase(_folded(info.name), _folded(name)) for name in source.names)


def _near(quantity: str, sources: tuple[Source, ...], log: Log) -> tuple[str, ...]:
    """Channels whose names are like those that were looked for."""
    names = {_folded(info.name): info.name for info in log.channels}
    words = [quantity.replace("_", " "), *(name for source in sources for name in source.names)]
    near = [found for word in words for found in difflib.get_close_matches(_folded(word)[:100], names, n=3)]
    return tuple(dict.fromkeys(names[name] for name in near))


def _lacking(
    log: str, quantity: str, near: tuple[str, ...], *, listed: bool, known: tuple[ChannelInfo, ...] = ()
) -> EvidenceError:
    what = "no channel of the log measures" if listed else "the channels file does not say what measures"
    others = ", ".join(info.name for info in known)
    hint = f"the log has {others}; put the right one's name under {quantity} in the channels file" if others else None
    return EvidenceError(
        f"{what} {quantity}", file=log, expected=f"maybe {', '.join(near)}" if near else None, hint=hint
    )


def _tied(channels: Channels, log: Log, quantity: str, unit: str | None, info: ChannelInfo, source: Source) -> Tie:  # noqa: PLR0913, PLR0917 - a tie is made of these
    said = channels.meant(info.unit) or source.unit
    example = unit if source.stoichiometric is None else MASS_RATIO
    if said is None and (unit not in (None, "", ONE) or source.stoichiometric is not None):
        raise EvidenceError(
            f"the channel {info.name} does not say its unit",
            file=log.name,
            hint=f"say under {quantity} in the channels file what the logger means, such as `unit: {example}`",
        )
    ratio = source.stoichiometric if {spelled(said or ""), spelled(unit or "")} == {MASS_RATIO, ONE} else None
    try:
        if not unit or said is None:
            found = Affine()
        elif ratio is not None:
            found = Affine(factor=1 / ratio if spelled(unit) == ONE else ratio)
        else:
            found = conversion(said, unit)
    except EvidenceError as error:
        error.reason = f"{quantity}, from the channel {info.name}: {error.reason}"
        error.file = log.name
        raise
    return Tie(
        quantity=quantity,
        channel=info.name,
        said=said,
        unit=unit or said,
        conversion=found,
        stoichiometric=ratio,
    )
