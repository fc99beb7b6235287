"""``caldiff record KIND UNIT ...``: add an entry to a unit's chain."""

from __future__ import annotations

from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from caldiff.cli import SAME
from caldiff.cli.finding import add_file_options, catalogue_for, limits_for, named
from caldiff.cli.personal import add_key_option, read_key
from caldiff.cli.terminal import Mixed, add_look_options, formatter, look_for, progress, write
from caldiff.cli.vaults import add_recording_options, author_for, signers_for, time_for, unit_of, vault_for
from caldiff.errors import CaldiffError, UsageError

if TYPE_CHECKING:
    from caldiff.canonical import Digest
    from caldiff.ledger.chain import Recorded
    from caldiff.ledger.entry import Entry
    from caldiff.trace.recording import Recorder
    from caldiff.vault.vault import Vault

__all__ = ["parser", "run"]

Action = Callable[["Recorder", Namespace], "Recorded"]

_MATCHED = "what identifies somebody is recorded shortened, and matched by its HMAC under the key in this file"
_ENTRY = "an entry: its number, the beginning of its hash, baseline, latest (revision) or head"


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Add an entry to the chain of a unit. Every file is kept as it came, before the entry is written. "
        "Exit status: 0 recorded, 2 trouble, and then nothing is.",
    )
    kinds = made.add_subparsers(
        required=True,
        metavar="KIND",
        parser_class=Mixed,
        title="kinds of entry ('caldiff record KIND --help' has the options)",
    )
    for name, (action, text, arguments) in _KINDS.items():
        one = kinds.add_parser(
            name, help=text, description=f"Record {text}.", allow_abbrev=False, formatter_class=formatter
        )
        one.set_defaults(action=action, kind=name)
        one.add_argument("unit", metavar="UNIT", help="the unit, under your own id for it")
        arguments(one)
        add_recording_options(one)
        one.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
        add_look_options(one)
    return made


def _image(one: ArgumentParser, *, optional: bool = False) -> None:
    one.add_argument("file", metavar="FILE", nargs="?" if optional else None, help="the image file, as it came")
    add_file_options(one, several=False)
    add_key_option(one, _MATCHED)


def _of(one: ArgumentParser, text: str, *, required: bool = False) -> None:
    one.add_argument("--of", metavar="ENTRY", required=required, help=f"{text}; {_ENTRY}")


def _baseline_arguments(one: ArgumentParser) -> None:
    one.add_argument(
        "--another", action="store_true", help="the unit has a baseline already, and was given other stock software"
    )
    _image(one)


def _repeat_arguments(one: ArgumentParser) -> None:
    _baseline_option(one, "the baseline that was read again")
    _image(one)


def _baseline_option(one: ArgumentParser, text: str) -> None:
    one.add_argument("--baseline", metavar="ENTRY", help=f"{text} (default: the newest); {_ENTRY}")


def _revision_arguments(one: ArgumentParser) -> None:
    one.add_argument(
        "--parent",
        metavar="ENTRY",
        help=f"what it was made from (default: the newest revision, else the newest baseline); {_ENTRY}",
    )
    one.add_argument(
        "--authority",
        action="append",
        default=[],
        type=_pair,
        metavar="TAG=WHO",
        help="under whose authority tables with this tag, or bytes in this region, were changed, or this trouble code "
        "switched off; may be given again",
    )
    one.add_argument(
        "--made-from", action="append", default=[], metavar="FILE", help="a file that it was made with, to be kept too"
    )
    _image(one)


def _delivery_arguments(one: ArgumentParser) -> None:
    _of(one, "the revision that was handed over", required=True)
    one.add_argument("--to", metavar="WHO", required=True, help="to whom")
    _image(one, optional=True)


def _readback_arguments(one: ArgumentParser) -> None:
    _of(one, "what should have been in the unit (default: what was delivered last, else the newest revision)")
    _image(one)


def _evidence_arguments(one: ArgumentParser) -> None:
    _of(one, "what was in the unit when it was taken (default: the newest revision)")
    one.add_argument("--sort", metavar="WORD", required=True, help="what it is: log, faults, or a word of your own")
    one.add_argument(
        "--fact",
        action="append",
        default=[],
        type=_pair,
        metavar="KEY=TEXT",
        help="something that is to be known about it; may be given again",
    )
    one.add_argument("files", metavar="FILE", nargs="+", help="the files, as they came")


def _approval_arguments(one: ArgumentParser) -> None:
    _of(one, "what is approved", required=True)
    one.add_argument("--role", metavar="ROLE", default="approver", help="as what (default: approver)")


def _note_arguments(one: ArgumentParser) -> None:
    _of(one, "what it is about (default: the unit)")
    one.add_argument("files", metavar="FILE", nargs="*", help="files that belong to it")


def _return_arguments(one: ArgumentParser) -> None:
    one.add_argument("--baseline", metavar="ENTRY", help=f"the baseline that went back (default: the newest); {_ENTRY}")


def _pair(text: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not (key.strip() and equals and value.strip()):
        raise ArgumentTypeError(f"'{text}' is no name and text, such as emissions='type approval 12'")
    return key.strip(), value.strip()


def _once(pairs: Sequence[tuple[str, str]], option: str) -> Mapping[str, str]:
    """The pairs by name, none of them twice."""
    for key, _ in pairs:
        if sum(key == other for other, _ in pairs) > 1:
            raise UsageError(f"{option} names '{key}' twice", hint="say it once, with all that is to be said")
    return dict(pairs)


# ----------------------------------------------------------------------------------------------------------- recording


def run(options: Namespace) -> int:
    """Record the entry, and say what it is and what to beware of."""
    if options.kind == "approval" and not options.sign:
        raise UsageError("an approval counts as much as its signature, and there is none", hint="sign it by --sign KEY")
    if options.kind == "note" and not options.message and not options.files:
        raise UsageError("a note says something or brings a file", hint="say it by --message TEXT")
    recorder = _recorder(options)
    if options.kind != "baseline":
        unit_of(recorder.vault, options.unit)
    with progress("recording"):
        recorded = options.action(recorder, options)
        entries = _Entries(recorder.vault, options.unit)
        more = _contradicted(recorder, options, recorded) if options.kind == "evidence" else ()
    from caldiff.render.recorded import recorded_document, recorded_text  # noqa: PLC0415 - usage errors do without

    if options.json:
        from caldiff.render.document import printed  # noqa: PLC0415 - as above

        write(printed(recorded_document(recorded, entries, entries.numbers, more=more)))
    else:
        write(recorded_text(recorded, entries, entries.numbers, look_for(options), more=more))
    return SAME


def _contradicted(recorder: Recorder, options: Namespace, recorded: Recorded) -> list[tuple[str, str]]:
    """What recorded logs say of themselves that does not go with the chain. A log that cannot be read is told too."""
    from caldiff.ledger.entry import Evidence  # noqa: PLC0415 - usage errors do without

    body = recorded.entry.body
    if options.sort != "log" or not isinstance(body, Evidence):
        return []
    from caldiff.evidence.contradictions import contradictions  # noqa: PLC0415 - only for logs
    from caldiff.evidence.log import open_log  # noqa: PLC0415 - as above

    chain, out = recorder.vault.chain(options.unit), []
    for path in options.files:
        try:
            log = open_log(path)
        except CaldiffError as error:
            out.append(("log", f"{path} cannot be held against the chain: {error.reason}"))
            continue
        of = chain.by_hash(body.of).entry
        out += [("log", words) for words in contradictions(log.identity, log.start, of=of, chain=chain)]
    return out


class _Entries(Mapping["Digest", "Entry"]):
    """The entries of a chain by hash, each read when it is asked for: most recordings ask for one."""

    def __init__(self, vault: Vault, unit: str) -> None:
        self._vault, self._unit = vault, unit
        self.numbers = {link.hash: link.sequence for link in vault.links(unit)}

    def __getitem__(self, digest: Digest) -> Entry:
        from caldiff.ledger.chain import Recorded  # noqa: PLC0415 - as above

        return Recorded.read(self._vault.envelope(self._unit, self.numbers[digest])).entry

    def __iter__(self) -> Iterator[Digest]:
        return iter(self.numbers)

    def __len__(self) -> int:
        return len(self.numbers)


def _recorder(options: Namespace) -> Recorder:
    from caldiff.trace.recording import Recorder  # noqa: PLC0415 - brings numpy, which usage errors do without

    vault, signers, author, time = vault_for(options), signers_for(options), author_for(options), time_for(options)
    if not hasattr(options, "start"):  # a kind without an image
        return Recorder(vault=vault, signers=signers, author=author, time=time)
    catalogue = catalogue_for(options)
    return Recorder(
        vault=vault,
        signers=signers,
        author=author,
        time=time,
        catalogue=catalogue,
        key=read_key(options),
        definition=named(catalogue, _single("--definition", options.definition)) if options.definition else None,
        start=_single("--start", options.start) if options.start else None,
        format=options.format,
        limits=limits_for(options),
    )


def _single(option: str, given: Sequence[Any]) -> Any:
    """The only value of an option that other commands take once for each file."""
    if len(given) > 1:
        raise UsageError(f"{option} is given {len(given)} times for one file", hint=f"give {option} once")
    return given[0]


def _baseline(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.baseline(options.unit, options.file, another=options.another, message=options.message)


def _repeat(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.repeat(options.unit, options.file, baseline=options.baseline, message=options.message)


def _revision(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.revision(
        options.unit,
        options.file,
        parent=options.parent,
        authorities=_once(options.authority, "--authority"),
        made_from=options.made_from,
        message=options.message,
    )


def _delivery(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.delivery(options.unit, of=options.of, to=options.to, path=options.file, message=options.message)


def _readback(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.readback(options.unit, options.file, of=options.of, message=options.message)


def _evidence(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.evidence(
        options.unit,
        options.files,
        of=options.of,
        sort=options.sort,
        facts=_once(options.fact, "--fact"),
        message=options.message,
    )


def _approval(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.approval(options.unit, of=options.of, role=options.role, message=options.message)


def _note(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.note(options.unit, of=options.of, paths=options.files, message=options.message)


def _return(recorder: Recorder, options: Namespace) -> Recorded:
    return recorder.returned(options.unit, baseline=options.baseline, message=options.message)


_KINDS: Mapping[str, tuple[Action, str, Callable[[ArgumentParser], None]]] = {
    "baseline": (_baseline, "the first read of a unit, which everything descends from", _baseline_arguments),
    "repeat": (_repeat, "another read of the stock, which confirms the baseline or does not", _repeat_arguments),
    "revision": (_revision, "an image that is meant for the unit", _revision_arguments),
    "delivery": (_delivery, "that a revision was handed over", _delivery_arguments),
    "readback": (_readback, "an image that was read out of the unit later", _readback_arguments),
    "evidence": (_evidence, "files that tell how a revision did, such as logs", _evidence_arguments),
    "approval": (_approval, "that a revision may go out, over your signature", _approval_arguments),
    "note": (_note, "words, about an entry or the unit; with files or without", _note_arguments),
    "return": (_return, "that the unit goes back to stock", _return_arguments),
}
