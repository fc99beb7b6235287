"""``caldiff readback UNIT FILE``: whether a unit still holds what it should, and if not, what."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from typing import TYPE_CHECKING

from caldiff.cli import DIFFERENT, SAME
from caldiff.cli.finding import add_file_options, catalogue_for, limits_for, named
from caldiff.cli.personal import add_key_option, read_key
from caldiff.cli.terminal import Counter, add_look_options, formatter, look_for, progress, write
from caldiff.cli.trace import index_for
from caldiff.cli.vaults import add_recording_options, author_for, signers_for, time_for, unit_of, vault_for
from caldiff.errors import UsageError
from caldiff.render.view import View

if TYPE_CHECKING:
    from caldiff.definition.catalogue import Catalogue
    from caldiff.definition.definition import Definition
    from caldiff.ledger.chain import Recorded
    from caldiff.table.personal import Key
    from caldiff.trace.readback import ReadBack
    from caldiff.vault.vault import Vault

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say what a file is that was read out of a unit: what should have been in it; that, save for "
        "volatile regions, which are listed with what moved; or a stranger: another revision of the unit, another "
        "unit's file, other software, changes that nobody recorded. Exit status: 0 equal, volatile regions aside, 1 a "
        "stranger, 2 trouble.",
    )
    made.add_argument("unit", metavar="UNIT", help="the unit that it was read out of")
    made.add_argument("file", metavar="FILE", help="what was read")
    made.add_argument(
        "--of",
        metavar="ENTRY",
        help="what should have been in the unit (default: what was delivered or returned last, else the newest "
        "revision, else the baseline): number, beginning of the hash, baseline, latest or head",
    )
    made.add_argument("--record", action="store_true", help="record it as a readback too")
    group = made.add_argument_group("what is shown")
    group.add_argument("--stat", action="store_true", help="one line a table")
    group.add_argument("--all", action="store_true", help="whole tables, every byte: nothing is cut")
    group.add_argument("--show-personal", action="store_true", help="do not shorten what identifies somebody")
    add_key_option(group, "match what identifies somebody by its HMAC under the key in this file")  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_recording_options(made)
    add_look_options(made)
    add_file_options(made, several=False)
    return made


def run(options: Namespace) -> int:
    """Recognise what was read, and record it if that is asked for."""
    _only_with_record(options)
    vault = vault_for(options)
    unit_of(vault, options.unit)
    catalogue, key = catalogue_for(options), read_key(options)
    definition = named(catalogue, _single("--definition", options.definition)) if options.definition else None
    with progress("reading the unit's chain"):
        found = _recognised(vault, catalogue, definition, options)
        recorded = _record(vault, catalogue, definition, key, options) if options.record else None
    view = View(stat=options.stat, whole=options.all, personal=options.show_personal, key=key)
    from caldiff.render.readback import readback_document, readback_text  # noqa: PLC0415 - not for usage errors

    if options.json:
        from caldiff.render.document import printed  # noqa: PLC0415 - text does without

        write(printed(readback_document(found, view, vault=vault.id, recorded=recorded)))
    else:
        write(readback_text(found, look_for(options), view) + "\n" + _recorded_text(vault, recorded, options))
    return SAME if found.sound else DIFFERENT


def _only_with_record(options: Namespace) -> None:
    """Options of an entry without an entry were meant otherwise."""
    given = {
        "--message": options.message,
        "--author": options.author,
        "--time": options.time,
        "--sign": options.sign,
        "--passphrase-file": options.passphrase_file,
    }
    for option, value in given.items():
        if value and not options.record:
            raise UsageError(f"{option} does nothing here, since nothing is recorded", hint="--record records it too")


def _single(option: str, given: list[str]) -> str:
    if len(given) > 1:
        raise UsageError(f"{option} is given {len(given)} times for one file", hint=f"give {option} once")
    return given[0]


def _recognised(vault: Vault, catalogue: Catalogue, definition: Definition | None, options: Namespace) -> ReadBack:
    from caldiff.trace.arriving import Opening  # noqa: PLC0415 - brings numpy, which usage errors do without
    from caldiff.trace.readback import recognise  # noqa: PLC0415 - as above
    from caldiff.trace.tracing import Tracer  # noqa: PLC0415 - as above

    limits = limits_for(options)
    with Counter("looking at the images of the vault, which is done once"):
        return recognise(
            vault,
            options.unit,
            options.file,
            tracer=Tracer(index=index_for(vault), catalogue=catalogue, nearest=1, format=options.format, limits=limits),
            opening=Opening(
                catalogue=catalogue,
                definition=definition,
                start=int(_single("--start", options.start)) if options.start else None,
                format=options.format,
                limits=limits,
            ),
            of=options.of,
        )


def _record(
    vault: Vault, catalogue: Catalogue, definition: Definition | None, key: Key | None, options: Namespace
) -> Recorded:
    from caldiff.trace.recording import Recorder  # noqa: PLC0415 - as above

    recorder = Recorder(
        vault=vault,
        signers=signers_for(options),
        author=author_for(options),
        time=time_for(options),
        catalogue=catalogue,
        key=key,
        definition=definition,
        start=int(_single("--start", options.start)) if options.start else None,
        format=options.format,
        limits=limits_for(options),
    )
    return recorder.readback(options.unit, options.file, of=options.of, message=options.message)


def _recorded_text(vault: Vault, recorded: Recorded | None, options: Namespace) -> str:
    if recorded is None:
        return "Not recorded; --record does it.\n"
    from caldiff.render.recorded import recorded_text  # noqa: PLC0415 - as above

    entries = {entry.hash: entry for entry in vault.chain(options.unit).entries}
    numbers = {digest: entry.sequence for digest, entry in entries.items()}
    return recorded_text(recorded, entries, numbers, look_for(options))
