"""``caldiff gate PATH...``: whether files may go out."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from typing import TYPE_CHECKING

import attrs

from caldiff.cli import SAME
from caldiff.cli.finding import add_folder_option, catalogue_for
from caldiff.cli.terminal import add_look_options, formatter, look_for, progress, write
from caldiff.cli.trouble import paragraph
from caldiff.cli.vaults import add_head_option, add_trust_option, add_vault_option, read_file, trust_for, vault_for
from caldiff.errors import CaldiffError, FileError

if TYPE_CHECKING:
    from caldiff.cli.gate_paths import Gathered
    from caldiff.gate.policy import Policy
    from caldiff.gate.verdict import Verdict

__all__ = ["parser", "run"]

REFUSED = 3
"""exit status of a refusal; no other command has it"""
_REPORTS = {"junit": b"<?xml", "sarif": b"{"}
"""reports that go to a file, and how an older one begins, which may be replaced"""
_BUG = "caldiff itself failed, and came to no answer\n"


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say whether files may go out: every image that is named, or lies below a folder that is, must "
        "trace through an unbroken, verified chain to a baseline read that is at hand, and satisfy the policy. What "
        "is not proven is refused. Exit status: 0 accepted, 3 refused, 2 trouble, which is no answer. Accepted does "
        "not mean safe: verify on your own bench, mind the law, have licensed people decide.",
    )
    made.add_argument("files", nargs="+", metavar="PATH", help="images, or folders of them")
    group = made.add_argument_group("what must hold")
    add_vault_option(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("--policy", metavar="FILE", help="the policy (default: the strict one that comes with caldiff)")
    add_trust_option(group)  # type: ignore[arg-type]  # as above
    add_head_option(group)  # type: ignore[arg-type]  # as above
    group.add_argument("--checkpoint", metavar="FILE", help="a checkpoint that was kept elsewhere")
    group = made.add_argument_group("what is shown")
    group.add_argument("--explain", action="store_true", help="every rule, how it came out, and what it read")
    forms = group.add_mutually_exclusive_group()
    forms.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    forms.add_argument("--markdown", action="store_true", help="Markdown, for a comment below a pull request")
    forms.add_argument("--annotations", action="store_true", help="lines that a CI runner shows beside the files")
    group.add_argument("--junit", metavar="FILE", help="write a JUnit XML report as well")
    group.add_argument("--sarif", metavar="FILE", help="write a SARIF 2.1.0 report as well")
    add_look_options(made)
    add_folder_option(made)
    return made


def run(options: Namespace) -> int:
    """Judge, write the reports, answer. A run that comes to no answer leaves reports that say so."""
    _replaceable(options)
    try:
        verdict, gathered = _judge(options)
    except Exception as error:
        _write_trouble(error, options)
        raise
    _write_reports(verdict, gathered, options)
    write(_answer(verdict, gathered, options))
    return SAME if verdict.accepted else REFUSED


def _judge(options: Namespace) -> tuple[Verdict, Gathered]:
    vault = vault_for(options)
    trust = trust_for(options)
    policy = _policy(options)
    from caldiff.cli.gate_paths import gather  # noqa: PLC0415 - bad usage does without

    gathered = gather(options.files, str(vault.folder))
    from caldiff.gate.gate import judge  # noqa: PLC0415 - as above

    with progress("judging"):
        verdict = judge(
            gathered.images,
            vault=vault,
            policy=policy,
            trust=trust,
            catalogue=catalogue_for(options),
            pinned=options.head,
            checkpoint=read_file(options.checkpoint, "the checkpoint") if options.checkpoint else None,
        )
    files = sorted((*verdict.files, *gathered.refused), key=lambda file: file.path)
    return attrs.evolve(verdict, files=tuple(files)), gathered


def _policy(options: Namespace) -> Policy:
    from caldiff.gate.policy_file import default_policy, load_policy  # noqa: PLC0415 - bad usage does without

    return default_policy() if options.policy is None else load_policy(options.policy)


# -------------------------------------------------------------------------------------------------------------- answers


def _answer(verdict: Verdict, gathered: Gathered, options: Namespace) -> str:
    """The answer in the form that was asked for."""
    if options.json:
        from caldiff.render.document import printed  # noqa: PLC0415 - one form of several
        from caldiff.render.verdict_document import verdict_document  # noqa: PLC0415 - as above

        return printed(verdict_document(verdict, gathered.passed))
    if options.markdown:
        from caldiff.render.verdict_markdown import verdict_markdown  # noqa: PLC0415 - as above

        return verdict_markdown(verdict, gathered.passed)
    if options.annotations:
        from caldiff.render.verdict_annotations import verdict_annotations  # noqa: PLC0415 - as above

        return verdict_annotations(verdict, gathered.passed)
    from caldiff.render.verdict_text import verdict_text  # noqa: PLC0415 - as above

    return verdict_text(verdict, gathered.passed, look_for(options), explain=options.explain)


# -------------------------------------------------------------------------------------------------------------- reports


def _replaceable(options: Namespace) -> None:
    """See that no report would take the place of something else.

    Raises:
        FileError: there is a file of that name, and it is no older report.
    """
    for form, beginning in _REPORTS.items():
        path = getattr(options, form)
        if path is None or not os.path.lexists(path):
            continue
        try:
            with open(path, "rb") as file:  # noqa: PTH123 - paths stay as they were given
                head = file.read(len(beginning))
        except OSError as error:
            raise FileError(f"the report cannot be written: {error.strerror}", file=path) from error
        if head not in {beginning, b""}:
            raise FileError("this file is there already, and is no older report", file=path, hint="name another file")


def _write_reports(verdict: Verdict, gathered: Gathered, options: Namespace) -> None:
    def junit() -> bytes:
        from caldiff.render.verdict_junit import verdict_junit  # noqa: PLC0415 - one form of several

        return verdict_junit(verdict, gathered.passed)

    def sarif() -> bytes:
        from caldiff.render.document import printed  # noqa: PLC0415 - as above
        from caldiff.render.verdict_sarif import verdict_sarif  # noqa: PLC0415 - as above

        return printed(verdict_sarif(verdict, gathered.passed, version=_version())).encode()

    _store(options.junit, junit)
    _store(options.sarif, sarif)


def _write_trouble(error: Exception, options: Namespace) -> None:
    """No older report may be taken for one of this run."""
    text = paragraph(error) if isinstance(error, CaldiffError) else _BUG

    def junit() -> bytes:
        from caldiff.render.verdict_junit import junit_trouble  # noqa: PLC0415 - only when there is trouble

        return junit_trouble(text)

    def sarif() -> bytes:
        from caldiff.render.document import printed  # noqa: PLC0415 - as above
        from caldiff.render.verdict_sarif import sarif_trouble  # noqa: PLC0415 - as above

        return printed(sarif_trouble(text, version=_version())).encode()

    _store(options.junit, junit)
    _store(options.sarif, sarif)


def _store(path: str | None, report: Callable[[], bytes]) -> None:
    """Write a report where one is asked for. Raises FileError."""
    if path is None:
        return
    from caldiff.storing import store  # noqa: PLC0415 - only for reports

    try:
        store(path, report(), overwrite=True)
    except OSError as error:
        raise FileError(f"the report cannot be written: {error.strerror}", file=path) from error


def _version() -> str:
    from importlib.metadata import version  # noqa: PLC0415 - slow, and only for reports

    return version("caldiff")
