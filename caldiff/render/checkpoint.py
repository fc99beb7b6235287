"""Checkpoints, and proofs held against them, as text and as JSON. Free of numpy."""

from __future__ import annotations

from collections.abc import Sequence

from caldiff.ledger.checkpoint import Checkpoint
from caldiff.ledger.finding import Finding
from caldiff.ledger.proof import InclusionProof, TreeProof
from caldiff.ledger.trust import SignatureState
from caldiff.render.document import Json, document, sound
from caldiff.render.look import Look, plural, wrapped
from caldiff.render.verification import finding_lines, finding_part

__all__ = [
    "checkpoint_document",
    "checkpoint_text",
    "findings_document",
    "findings_text",
    "proof_document",
    "proof_text",
    "proven_words",
]

_LABEL = 13


def checkpoint_text(made: Checkpoint, output: str, verifiers: Sequence[str], look: Look) -> str:
    """What was made, and what to do with it."""
    title = f"{output}: a checkpoint over {plural(made.size, 'entry', 'entries')}"
    out = [look.paint(line, "strong") for line in wrapped(look.text(title), look.width)]
    out += _said(made, look)
    out += [f"  {'verify by':<{_LABEL - 2}}{one}" for one in verifiers]
    out += wrapped(
        "Keep it where whoever can write to the vault cannot: it then shows whether anything that it covers was "
        "changed or taken away.",
        look.width,
    )
    return "\n".join(out) + "\n"


def _said(one: Checkpoint, look: Look, who: str | None = None) -> list[str]:
    signed = plural(len(one.signatures), "signature") if one.signatures else "by nobody"
    rows = [("of", one.origin), ("size", plural(one.size, "entry", "entries"))]
    out = [f"  {label:<{_LABEL - 2}}{look.text(text)}" for label, text in rows]
    out.append(f"  {'root':<{_LABEL - 2}}{one.root.hex}")  # in one piece, so that it can be copied
    return out + wrapped(look.text(who or signed), look.width, indent=_LABEL, lead="  signed")


def checkpoint_document(made: Checkpoint, output: str | None, verifiers: Sequence[str]) -> Json:
    """The same as a document."""
    body = {"output": None if output is None else sound(output), "note": made.dump().decode()}
    return document("checkpoint", {**_part(made), **body, "verifiers": list(verifiers)})


def _part(one: Checkpoint) -> Json:
    signed = [{"name": line.name, "key_id": line.key_id.hex()} for line in one.signatures]
    return {"origin": one.origin, "size": one.size, "root": str(one.root), "signatures": signed}


# ------------------------------------------------------------------------------------------------------- proofs, shown


def proven_words(proof: TreeProof) -> str:
    """What a proof says, as a sentence without a full stop."""
    if isinstance(proof, InclusionProof):
        return f"{proof.leaf.name} is among the {plural(proof.checkpoint.size, 'entry', 'entries')} of the checkpoint"
    older, newer = proof.older.size, proof.newer.size
    return f"the newer checkpoint, over {newer:,}, holds unchanged all {older:,} entries of the older one"


def proof_text(
    proof: TreeProof, findings: Sequence[Finding], states: Sequence[Sequence[SignatureState]], look: Look
) -> str:
    """A proof and what speaks against it. ``states``: for each checkpoint, what its signatures are worth."""
    failed = any(finding.fault for finding in findings)
    out = [look.paint(line, "strong") for line in wrapped(look.text(f"said: {proven_words(proof)}"), look.width)]
    if isinstance(proof, InclusionProof):
        out.append(f"  {'hash':<{_LABEL - 2}}{proof.leaf.entry.hex}")
    for name, one, signers in zip(_names(proof), proof.checkpoints, states, strict=True):
        out += [name, *_said(one, look, "; ".join(state.text for state in signers))]
    out += finding_lines(findings, look)
    answer = "This does not hold." if failed else "The proof holds."
    return "\n".join([*out, look.paint(f"! {answer}" if failed else answer, "alert" if failed else "strong")]) + "\n"


def _names(proof: TreeProof) -> tuple[str, ...]:
    return ("checkpoint",) if isinstance(proof, InclusionProof) else ("older checkpoint", "newer checkpoint")


def proof_document(proof: TreeProof, findings: Sequence[Finding], states: Sequence[Sequence[SignatureState]]) -> Json:
    """The same as a document."""
    within = isinstance(proof, InclusionProof)
    return document(
        "proof-check",
        {
            "holds": not any(finding.fault for finding in findings),
            "proof": "inclusion" if within else "consistency",
            "says": proven_words(proof),
            "entry": proof.leaf.document if within else None,  # type: ignore[union-attr] # told by within
            "checkpoints": [
                {**_part(one), "trusted": [_state(state) for state in signers]}
                for one, signers in zip(proof.checkpoints, states, strict=True)
            ],
            "findings": [finding_part(finding) for finding in findings],
        },
    )


def _state(state: SignatureState) -> Json:
    return {"keyid": state.keyid, "name": state.name, "roles": list(state.roles), "state": state.state}


# ------------------------------------------------------------------------------------------- a vault that does not fit


def findings_text(findings: Sequence[Finding], look: Look) -> str:
    """Why there is no proof that a vault only grew."""
    answer = "! This vault does not hold all that the older checkpoint covers, so there is no proof."
    return "\n".join([*finding_lines(findings, look), look.paint(answer, "alert")]) + "\n"


def findings_document(findings: Sequence[Finding]) -> Json:
    """The same as a document."""
    body = {"holds": False, "proof": "consistency", "says": None, "entry": None, "checkpoints": []}
    return document("proof-check", {**body, "findings": [finding_part(finding) for finding in findings]})
