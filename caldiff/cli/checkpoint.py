"""``caldiff checkpoint``: make one, prove things by it, and hold a proof without the vault."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from typing import TYPE_CHECKING

from caldiff.cli import DIFFERENT, SAME
from caldiff.cli.newfile import must_be_new, write_new
from caldiff.cli.terminal import add_look_options, formatter, look_for, write
from caldiff.cli.vaults import (
    add_signing_options,
    add_trust_option,
    add_vault_option,
    read_file,
    signers_for,
    trust_for,
    unit_of,
    vault_for,
)
from caldiff.errors import LedgerError, UsageError

if TYPE_CHECKING:
    from caldiff.ledger.checkpoint import Checkpoint
    from caldiff.ledger.proof import TreeProof

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Make a checkpoint: three lines that say how many entries the vault holds and the root of the tree "
        "over them. Kept elsewhere, it shows later whether any of them was changed or taken away: 'caldiff verify "
        "--checkpoint FILE' tells. Proofs go without the vault. Exit status: 0 made, or it holds; 1 it does not hold; "
        "2 trouble.",
    )
    what = made.add_argument_group("what is done instead")
    what.add_argument(
        "--prove", nargs=2, metavar=("UNIT", "ENTRY"), help="prove that an entry is in the newest checkpoint's tree"
    )
    what.add_argument(
        "--since", metavar="OLD", help="prove that the newest checkpoint's tree holds all that an older one covers"
    )
    what.add_argument("--check", metavar="PROOF", help="hold such a proof, without the vault; needs --kept or --trust")
    group = made.add_argument_group("how")
    add_vault_option(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument(
        "-o", "--output", metavar="FILE", help="write it to this file, which must not be there yet (default: print it)"
    )
    add_signing_options(group)  # type: ignore[arg-type]  # as above
    add_trust_option(group)  # type: ignore[arg-type]  # as above
    group.add_argument("--kept", metavar="FILE", help="with --check: a checkpoint that you kept, to hold it against")
    group.add_argument(
        "--json", action="store_true", help="a JSON document, see docs/schemas/; a proof is one as it is"
    )
    add_look_options(made)
    return made


def run(options: Namespace) -> int:
    """One of the four."""
    _sensible(options)
    if options.output is not None:
        must_be_new(options.output)
    if options.check is not None:
        return _check(options)
    if options.prove is not None:
        return _prove(options)
    return _since(options) if options.since is not None else _make(options)


def _sensible(options: Namespace) -> None:
    chosen = [name for name in ("prove", "since", "check") if getattr(options, name) is not None]
    if len(chosen) > 1:
        raise UsageError(f"--{chosen[0]} and --{chosen[1]} do not go together")
    what = chosen[0] if chosen else "make"
    only = {
        "--sign": (options.sign, {"make"}),
        "--kept": (options.kept, {"check"}),
        "--trust": (options.trust, {"check", "since"}),
        "--output": (options.output, {"make", "prove", "since"}),
        "--vault": (options.vault, {"make", "prove", "since"}),
    }
    for option, (given, fitting) in only.items():
        if given and what not in fitting:
            raise UsageError(f"{option} is not for {'making a checkpoint' if what == 'make' else f'--{what}'}")
    if what == "check" and options.kept is None and options.trust is None:
        raise UsageError(
            "a proof is worth as much as its checkpoint, and it is not said who stands behind that",
            hint="hold it against a checkpoint that you kept, by --kept FILE, or against trusted keys, by --trust FILE",
        )


# ---------------------------------------------------------------------------------------------------------------- make


def _make(options: Namespace) -> int:
    from caldiff.ledger.note import verifier_key  # noqa: PLC0415 - usage errors do without
    from caldiff.vault.checkpoints import make_checkpoint  # noqa: PLC0415 - as above

    vault, signers = vault_for(options), signers_for(options)
    made = make_checkpoint(vault, signers=signers)
    verifiers = [verifier_key(made.origin, signer.public) for signer in signers]
    if options.output is not None:
        write_new(options.output, made.dump())
    if options.json:
        from caldiff.render.checkpoint import checkpoint_document  # noqa: PLC0415 - as above
        from caldiff.render.document import printed  # noqa: PLC0415 - as above

        write(printed(checkpoint_document(made, options.output, verifiers)))
    elif options.output is None:
        write(made.dump().decode())
    else:
        from caldiff.render.checkpoint import checkpoint_text  # noqa: PLC0415 - as above

        write(checkpoint_text(made, options.output, verifiers, look_for(options)))
    return SAME


# --------------------------------------------------------------------------------------------------------------- prove


def _prove(options: Namespace) -> int:
    from caldiff.ledger.linkage import named  # noqa: PLC0415 - usage errors do without
    from caldiff.vault.checkpoints import inclusion  # noqa: PLC0415 - as above

    vault, (unit, entry) = vault_for(options), options.prove
    unit_of(vault, unit)
    return _give(inclusion(vault, unit, named(vault.links(unit), entry).sequence), options)


def _since(options: Namespace) -> int:
    from caldiff.vault.checkpoints import check, consistency  # noqa: PLC0415 - usage errors do without

    vault, kept = vault_for(options), read_file(options.since, "the checkpoint")
    older = _checkpoint(options.since, kept)
    findings = check(vault, kept, trust_for(options))
    if not any(finding.fault for finding in findings):
        return _give(consistency(vault, older), options)
    from caldiff.render.checkpoint import findings_document, findings_text  # noqa: PLC0415 - only in trouble
    from caldiff.render.document import printed  # noqa: PLC0415 - as above

    write(printed(findings_document(findings)) if options.json else findings_text(findings, look_for(options)))
    return DIFFERENT


def _checkpoint(path: str, data: bytes) -> Checkpoint:
    from caldiff.ledger.checkpoint import read_checkpoint  # noqa: PLC0415 - usage errors do without

    try:
        return read_checkpoint(data)
    except LedgerError as error:
        error.file = path
        raise


def _give(proof: TreeProof, options: Namespace) -> int:
    if options.output is None:
        write(proof.dump().decode())
        return SAME
    from caldiff.render.checkpoint import proven_words  # noqa: PLC0415 - only where it is said
    from caldiff.render.look import harmless  # noqa: PLC0415 - as above

    write_new(options.output, proof.dump())
    if options.json:
        write(proof.dump().decode())
    else:
        write(f"{harmless(options.output)}: proof that {harmless(proven_words(proof))}\n")
    return SAME


# --------------------------------------------------------------------------------------------------------------- check


def _check(options: Namespace) -> int:
    from caldiff.ledger.checkpoint import signatures  # noqa: PLC0415 - usage errors do without
    from caldiff.ledger.proof import proof_findings, read_proof  # noqa: PLC0415 - as above

    kept = None if options.kept is None else _checkpoint(options.kept, read_file(options.kept, "the checkpoint"))
    data, trust = read_file(options.check, "the proof"), trust_for(options)
    try:
        proof = read_proof(data)
    except LedgerError as error:
        error.file = options.check
        raise
    findings = proof_findings(proof, trust=trust, kept=kept)
    states = [signatures(one, trust) if trust else () for one in proof.checkpoints]
    from caldiff.render.checkpoint import proof_document, proof_text  # noqa: PLC0415 - as above
    from caldiff.render.document import printed  # noqa: PLC0415 - as above

    if options.json:
        write(printed(proof_document(proof, findings, states)))
    else:
        write(proof_text(proof, findings, states, look_for(options)))
    return DIFFERENT if any(finding.fault for finding in findings) else SAME
