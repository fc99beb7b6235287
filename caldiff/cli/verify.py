"""``caldiff verify [UNIT...]``: whether a vault holds, level by level; and mending it."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from collections.abc import Sequence
from typing import TYPE_CHECKING

from caldiff.cli import DIFFERENT, SAME
from caldiff.cli.personal import add_key_option, read_key
from caldiff.cli.terminal import Counter, add_look_options, formatter, look_for, write
from caldiff.cli.vaults import (
    add_head_option,
    add_trust_option,
    add_vault_option,
    read_file,
    trust_for,
    unit_of,
    vault_for,
)
from caldiff.errors import UsageError
from caldiff.ledger.finding import LEVELS, Level
from caldiff.render.look import plural

if TYPE_CHECKING:
    from caldiff.trace.verification import Verification
    from caldiff.vault.repair import Repaired

__all__ = ["parser", "run"]

_LISTED = 12
"""levels that the answer names; all of them are above it"""


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say whether a vault holds, level by level: links (the chain by itself), bytes (every file there "
        "with its digest), meaning (changes reckoned again by the recorded definition), signatures (by trusted keys), "
        "head (nothing missing that was pinned outside). What was not checked is not proven. Exit status: 0 every "
        "level asked for holds, 1 something failed, 2 trouble.",
    )
    made.add_argument("units", nargs="*", metavar="UNIT", help="units (default: all of the vault)")
    group = made.add_argument_group("what is checked")
    add_vault_option(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument(
        "--level",
        action="append",
        default=[],
        choices=LEVELS,
        help="only this level, and it must hold; may be given again (default: all that can be checked)",
    )
    add_trust_option(group)  # type: ignore[arg-type]  # as above
    add_head_option(group)  # type: ignore[arg-type]  # as above
    group.add_argument("--checkpoint", metavar="FILE", help="a checkpoint that was kept elsewhere")
    add_key_option(group, "what identifies somebody is matched again by its HMAC under the key in this file")  # type: ignore[arg-type]  # as above
    made.add_argument(
        "--repair", action="store_true", help="mend first what is damaged; what was there is set aside, not deleted"
    )
    made.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_look_options(made)
    return made


def run(options: Namespace) -> int:
    """Mend where that is asked for, verify, and say how far it holds."""
    levels = _levels(options)
    vault = vault_for(options)
    for unit in options.units:
        unit_of(vault, unit)
    for head in options.head if options.units else ():
        if head.unit not in options.units:
            raise UsageError(
                f"the head that was noted is of {head.unit}, which is not verified", hint="name it as well"
            )
    trust, key = trust_for(options), read_key(options)
    checkpoint = read_file(options.checkpoint, "the checkpoint") if options.checkpoint else None
    repaired = None
    if options.repair:
        with Counter("mending") as said:
            repaired = vault.repair(progress=said)
    from caldiff.trace.verification import verify  # noqa: PLC0415 - usage errors do without

    with Counter("verifying") as said:
        found = verify(
            vault,
            units=options.units or None,
            levels=levels,
            trust=trust,
            pinned=options.head,
            checkpoint=checkpoint,
            key=key,
            progress=said,
        )
    return _answer(found, repaired, options)


def _levels(options: Namespace) -> tuple[Level, ...]:
    """The levels to check.

    Raises:
        UsageError: one is asked for that there is nothing to check it against.
    """
    pinned = bool(options.head or options.checkpoint)
    if "signatures" in options.level and options.trust is None:
        raise UsageError("signatures prove nothing without trusted keys", hint="name the file of them by --trust")
    if "head" in options.level and not pinned:
        raise UsageError(
            "whether something is missing can only be told against what was noted elsewhere",
            hint="give what was noted by --head UNIT:NUMBER:HASH or --checkpoint FILE",
        )
    if options.level:
        unused = [("--trust", options.trust, "signatures"), ("--head", options.head, "head")]
        unused.append(("--checkpoint", options.checkpoint, "head"))
        for option, given, level in unused:
            if given and level not in options.level:
                raise UsageError(f"{option} is for the level {level}, which is not asked for", hint=f"--level {level}")
        return tuple(level for level in LEVELS if level in options.level)
    return LEVELS


def _answer(found: Verification, repaired: Sequence[Repaired] | None, options: Namespace) -> int:
    from caldiff.render.verification import verification_document, verification_text  # noqa: PLC0415 - as above

    answer = _failure(found, options)
    failed = bool(answer)
    answer = answer or _success(found)
    if options.json:
        from caldiff.render.document import printed  # noqa: PLC0415 - costs more than the text

        write(printed(verification_document(found, repaired=repaired, answer=answer, failed=failed)))
    else:
        look = look_for(options)
        write(verification_text(found, look, repaired=repaired or (), answer=answer, failed=failed))
    return DIFFERENT if failed else SAME


def _failure(found: Verification, options: Namespace) -> str:
    """What speaks against it, in a sentence; empty where nothing does."""
    if not found.units:
        return "There is no unit in this vault, so nothing is proven."
    parts = [
        f"{level.level} of {unit.unit}"
        for unit in found.units
        for level in unit.proof.levels
        if level.state == "failed" or (level.level in options.level and level.state != "held")
    ]
    left = len(parts) - _LISTED
    parts[_LISTED:] = [f"{left} more"] if left > 0 else []
    faults = sum(finding.fault for finding in found.general)
    parts += [f"{plural(faults, 'fault')} of the vault as a whole"] if faults else []
    return f"This vault does not hold: {', '.join(parts)}." if parts else ""


def _success(found: Verification) -> str:
    held = [level for level in LEVELS if all(unit.proof.held(level) for unit in found.units)]
    rest = [level for level in LEVELS if level not in held]
    units = plural(len(found.units), "unit")
    proven = f"Held for {units}: {', '.join(held) or 'nothing'}."
    return f"{proven} Not proven: {', '.join(rest)}." if rest else proven
