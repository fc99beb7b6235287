"""``caldiff faults BEFORE AFTER``: what became of the fault codes, and what that proves."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from typing import TYPE_CHECKING

from caldiff.cli import DIFFERENT, SAME
from caldiff.cli.finding import add_file_options, opened
from caldiff.cli.personal import add_personal_options, key_for
from caldiff.cli.terminal import add_look_options, formatter, look_for, write
from caldiff.errors import UsageError
from caldiff.render.view import View

if TYPE_CHECKING:
    from caldiff.evidence.faults import Expected

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Compare two snapshots of a vehicle's fault memory: which codes are new, gone, stayed; which "
        "monitors have not finished since the memory was cleared, so that an empty list proves nothing; and whether "
        "the vehicle reports the calibration that it should. A snapshot is a YAML or JSON document, or raw responses "
        "of SAE J1979 or ISO 14229, see docs/faults.md. Exit status: 0 nothing moved and nothing is in doubt, 1 "
        "something did or is, 2 trouble.",
    )
    made.add_argument("before", metavar="BEFORE", help="the first snapshot")
    made.add_argument("after", metavar="AFTER", help="the second one")
    made.add_argument(
        "--image",
        metavar="REV",
        help="the image that was in the vehicle for the second one, to hold its identity against",
    )
    made.add_argument(
        "--form",
        choices=("document", "hex", "binary"),
        help="how the snapshots are written: a document, responses as hexadecimal lines, one response as it is "
        "(default: told by their content)",
    )
    group = made.add_argument_group("what is shown")
    add_personal_options(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_look_options(made)
    add_file_options(made, several=False)
    return made


def run(options: Namespace) -> int:
    """Compare the snapshots."""
    if options.image is None and (options.definition or options.start or options.format):
        raise UsageError("there is no image to read", hint="name the one that was in the vehicle by --image")
    view = View(personal=options.show_personal, key=key_for(options))
    from caldiff.evidence.faults import compare_faults  # noqa: PLC0415 - not for usage errors
    from caldiff.evidence.snapshot_file import open_snapshot  # noqa: PLC0415 - as above
    from caldiff.render.faults import faults_document, faults_text  # noqa: PLC0415 - as above

    before, after = (open_snapshot(path, form=options.form) for path in (options.before, options.after))
    diff = compare_faults(before, after, expected=None if options.image is None else _expected(options))
    if options.json:
        from caldiff.render.document import printed  # noqa: PLC0415 - text does without

        write(printed(faults_document(diff, view, image=options.image)))
    else:
        write(faults_text(diff, look_for(options), view, image=options.image or ""))
    return SAME if diff.unmoved else DIFFERENT


def _expected(options: Namespace) -> Expected:
    """What the image says that the vehicle should report."""
    from caldiff.evidence.faults import Expected  # noqa: PLC0415 - as above
    from caldiff.trace.identity import identity_of  # noqa: PLC0415 - as above

    (calibration,) = opened([options.image], options)
    if calibration.definition is None:
        raise UsageError(
            "no definition fits the image, so it says nothing that the vehicle could be held against",
            file=options.image,
            hint="name a definition, or leave --image out",
        )
    values = [value for value in identity_of(calibration) if value.text]
    by_meaning = {
        means: tuple(v.text for v in values if v.field.means == means and v.text)
        for means in ("calibration-id", "cvn", "vin")
    }
    return Expected(
        label=options.image,
        calibration_ids=by_meaning["calibration-id"],
        cvns=by_meaning["cvn"],
        vin=by_meaning["vin"][0] if by_meaning["vin"] else None,
        notes=tuple(
            f"the image's own verification number {r.text}" for v in values if v.field.means == "cvn" for r in v.remarks
        ),
    )
