"""What the commands that read logs share: the logs, what measures what, the image that ran, and the unit's chain."""

from __future__ import annotations

from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

from caldiff.cli.vaults import add_vault_option, unit_of, vault_for
from caldiff.errors import DefinitionMissingError, UsageError

if TYPE_CHECKING:
    from caldiff.evidence.logs import LogRead
    from caldiff.ledger.chain import Chain
    from caldiff.ledger.entry import Entry
    from caldiff.table.calibration import Calibration

__all__ = ["add_log_options", "check_decoded", "opened_logs", "told_otherwise"]


def add_log_options(parser: ArgumentParser) -> None:
    """The logs, ``--image``, ``--channels``, ``--channel``, and the chain to hold them against."""
    parser.add_argument("logs", nargs="+", metavar="LOG", help="CSV logs, or ASAM MDF 4, taken while the image ran")
    parser.add_argument("--image", required=True, metavar="REV", help="the image that ran")
    parser.add_argument(
        "--channels",
        metavar="FILE",
        help="what your loggers call the quantities, and which rows count, see docs/logs.md (default: a channel is "
        "called like its quantity, and all rows count)",
    )
    parser.add_argument(
        "--channel",
        action="append",
        default=[],
        type=_pair,
        metavar="QUANTITY=CHANNEL",
        help="the channel of a quantity, where several may measure it; may be given again",
    )
    group = parser.add_argument_group("held against the unit's chain")
    add_vault_option(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("--unit", metavar="UNIT", help="the unit that the logs are of")
    group.add_argument(
        "--of",
        metavar="ENTRY",
        help="the entry whose image ran: its number, the beginning of its hash, baseline, latest (default: the newest "
        "one with this image)",
    )


def _pair(text: str) -> tuple[str, str]:
    quantity, equals, channel = text.partition("=")
    if not (quantity.strip() and equals and channel.strip()):
        raise ArgumentTypeError(f"'{text}' is no quantity and channel, such as lambda='lambda bank 1'")
    return quantity.strip(), channel.strip()


def check_decoded(calibration: Calibration) -> None:
    """See that an image has a definition. Raises DefinitionMissingError."""
    if calibration.definition is None:
        raise DefinitionMissingError(
            "no definition fits this image, so there are no tables to hold a log against",
            file=calibration.label,
            hint="'caldiff identify FILE' says what was tried; --definition names one",
        )


def opened_logs(
    options: Namespace, wanted: Mapping[str, str | None], *, needed: Collection[str] = ()
) -> tuple[LogRead, ...]:
    """The logs, tied."""
    from caldiff.evidence.channels_file import load_channels  # noqa: PLC0415 - brings the YAML machinery
    from caldiff.evidence.logs import by_their_own_names, open_logs  # noqa: PLC0415 - brings numpy

    channels = load_channels(options.channels) if options.channels else by_their_own_names(wanted)
    return open_logs(options.logs, channels, wanted, needed=needed, choose=dict(options.channel))


def told_otherwise(options: Namespace, calibration: Calibration, reads: Sequence[LogRead]) -> dict[str, list[str]]:
    """What the chain of ``--unit`` contradicts in each log, by the log's name; empty where no unit was named.

    Raises:
        UsageError: the vault has no such unit, or no entry of it has this image; a vault without a unit was named.
    """
    if options.unit is None:
        if options.vault or options.of:
            raise UsageError("it is not said which unit the logs are of", hint="name it by --unit UNIT")
        return {}
    from caldiff.evidence.contradictions import contradictions  # noqa: PLC0415 - only where a unit was named

    vault = vault_for(options)
    unit_of(vault, options.unit)
    chain = vault.chain(options.unit)
    entry = _entry(options, calibration, chain)
    return {
        read.log.name: list(contradictions(read.log.identity, read.log.start, of=entry, chain=chain)) for read in reads
    }


def _entry(options: Namespace, calibration: Calibration, chain: Chain) -> Entry:
    if options.of is not None:
        return chain.named(options.of).entry
    content = calibration.image.content
    found = [one.entry for one in chain.recorded if one.entry.image and one.entry.image.content == content]
    if not found:
        raise UsageError(
            f"no entry of unit {options.unit} has this image",
            file=calibration.label,
            hint="name the entry that the logs are to be held against by --of ENTRY",
        )
    return found[-1]
