"""Two snapshots of a fault memory compared, as text and as JSON. Free of numpy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from caldiff.evidence.faults import CodeDiff, Fate, FaultsDiff, Held
from caldiff.evidence.snapshot import KINDS, Snapshot
from caldiff.evidence.uds import flags_of
from caldiff.render.document import Json, document, sound
from caldiff.render.head import labelled
from caldiff.render.look import Look, pad, plural, wrapped
from caldiff.render.view import View
from caldiff.table.personal import shortened

__all__ = ["faults_document", "faults_text"]

_FATES: tuple[Fate, ...] = ("new", "changed", "stayed", "unknown", "gone")
_FATE, _CODE = 9, 10
_LABELS = {"calibration id": "calibration"}
"""columns"""


# ---------------------------------------------------------------------------------------------------------------- text


def faults_text(diff: FaultsDiff, look: Look, view: View, *, image: str = "") -> str:
    """The whole answer, ending with a newline; ``image``: what the image that should be in the vehicle is called."""
    lines = [
        *_head("A", diff.before, look, view),
        *_head("B", diff.after, look, view),
        "",
        look.paint("Codes", "strong"),
        *_codes(diff, look),
        "",
        look.paint("What it proves", "strong"),
        *_proof(diff, look),
    ]
    if diff.held:
        title = look.text(f"Held against {image or 'the image'}")
        lines += ["", *(look.paint(line, "strong") for line in wrapped(title, look.width))]
        for one in diff.held:
            lines += labelled(
                _LABELS.get(one.what, one.what), look.text(_held(one, view)), look, alert=one.state == "differs"
            )
    return "\n".join(lines) + "\n"


def _head(mark: str, snapshot: Snapshot, look: Look, view: View) -> list[str]:
    """What a snapshot is."""
    out = [look.paint(f"{mark}  {look.text(snapshot.label)}", "strong")]
    said = [f"taken {snapshot.taken}"] if snapshot.taken else []
    said += [f"calibration {', '.join(snapshot.calibration_ids)}"] if snapshot.calibration_ids else []
    said += [f"CVN {', '.join(snapshot.cvns)}"] if snapshot.cvns else []
    said += [f"VIN {_vin(snapshot.vin, view)}"] if snapshot.vin else []
    out += wrapped(look.text(", ".join(said) or "says nothing of time or vehicle"), look.width, indent=3)
    listed = [f"{plural(len(codes), 'code')} {kind}" for kind in KINDS if (codes := snapshot.of(kind)) is not None]
    if snapshot.records is not None:
        listed.append(plural(len(snapshot.records), "record"))
    if snapshot.lamp is not None:
        listed.append(f"lamp {'on' if snapshot.lamp else 'off'}")
    return out + wrapped(", ".join([*listed, *_since(snapshot)]) or "no codes were read", look.width, indent=3)


def _since(snapshot: Snapshot) -> Iterator[str]:
    parts = [f"{snapshot.distance:,} km"] if snapshot.distance is not None else []
    parts += [plural(snapshot.warm_ups, "warm-up")] if snapshot.warm_ups is not None else []
    if parts:
        yield f"cleared {' and '.join(parts)} ago"


def _vin(text: str | None, view: View) -> str:
    return "" if text is None else text if view.personal else shortened(text)


def _codes(diff: FaultsDiff, look: Look) -> Iterator[str]:
    for fate in _FATES:
        for one in diff.those(fate):
            sign = "!" if fate in {"new", "unknown"} else " "
            lead = f"{sign} {pad(fate, _FATE)}{pad(one.code, _CODE)}"
            lines = wrapped(look.text(_code(one, look)), look.width, indent=len(lead), lead=lead)
            yield from [look.paint(lines[0], "alert"), *lines[1:]] if sign == "!" else lines
    if not diff.codes:
        yield from wrapped("none in either", look.width, indent=2)


def _code(one: CodeDiff, look: Look) -> str:
    before, after = (", ".join(lists) or "nothing" for lists in (one.before, one.after))
    words = before if one.fate == "stayed" else f"{before} {look.glyph('→')} {after}"
    if one.fate == "unknown":
        words += "; the other snapshot did not read that list"
    known = [status for status in one.status if status is not None]
    if known:
        texts = [f"0x{status:02X} {', '.join(flags_of(status)) or 'no flag'}".replace("_", " ") for status in known]
        words += "; status " + f" {look.glyph('→')} ".join(dict.fromkeys(texts))
    if "permanent" in one.after:
        words += "; permanent: only the vehicle itself takes it away, once its own monitor has passed"
    if one.fate == "gone" and one.untested:
        words += "; its test has not run since, so nothing is proven by that"
    return words


def _proof(diff: FaultsDiff, look: Look) -> Iterator[str]:
    """Clearing, readiness, doubts: what a reader must know before believing an empty list."""
    if diff.cleared:
        yield from labelled("cleared", diff.cleared, look, alert=True)
    words = {
        "lost": "complete before, not finished again",
        "unknown": "not told of in the second snapshot",
        "incomplete": "not finished",
    }
    for fate, text in words.items():
        names = _names(m.name for m in diff.monitors if m.fate == fate)
        if names:
            yield from labelled(
                "readiness", f"{names}: {fate}, {text}" if fate == "lost" else f"{names}: {text}", look, alert=True
            )
    good = _names(m.name for m in diff.monitors if m.fate in {"complete", "finished"})
    if good:
        yield from labelled("readiness", f"{good}: complete", look)
    if diff.before.lamp != diff.after.lamp and None not in {diff.before.lamp, diff.after.lamp}:
        yield from labelled("lamp", f"{'on' if diff.after.lamp else 'off'} now", look, alert=bool(diff.after.lamp))
    for note in diff.notes:
        yield from labelled("note", look.text(note), look)
    yield from labelled(*_verdict(diff), look, alert=bool(diff.doubts))


def _names(names: Iterable[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in names)


def _verdict(diff: FaultsDiff) -> tuple[str, str]:
    """In one sentence."""
    gone = [one.code for one in diff.those("gone")]
    gone += [
        f"{one.code} as {kind}"
        for one in diff.those("changed")
        for kind in KINDS
        if kind in one.before and kind not in one.after and diff.after.of(kind) is not None
    ]
    what = f"the absence of {', '.join(gone)}" if gone else "what is not listed in the second snapshot"
    if diff.doubts:
        return "in doubt", f"Nothing is proven by {what}: {'; '.join(diff.doubts)}."
    return "proof", f"All monitors that the vehicle tells of have finished, so {what} is what the vehicle found."


def _held(one: Held, view: View) -> str:
    hide = one.what == "VIN" and not view.personal
    reported, expected = (", ".join(map(shortened, texts) if hide else texts) for texts in (one.reported, one.expected))
    match one.state:
        case "same":
            return f"{expected}, as the image gives it"
        case "differs":
            return f"the vehicle reports {reported}, the image gives {expected}: something else was in it"
        case "not reported":
            return f"not reported, so nothing is proven by it; the image gives {expected}"
        case "not in the image":
            return f"{reported or 'not reported'}; the definition of the image knows of none"


# ---------------------------------------------------------------------------------------------------------------- JSON


def faults_document(diff: FaultsDiff, view: View, *, image: str | None = None) -> Json:
    """The same as a document."""
    return document(
        "faults",
        {
            "unmoved": diff.unmoved,
            "sides": [_side(snapshot, view) for snapshot in (diff.before, diff.after)],
            "codes": [
                {
                    "code": one.code,
                    "fate": one.fate,
                    "before": list(one.before),
                    "after": list(one.after),
                    "status": list(one.status),
                    "untested": one.untested,
                }
                for one in diff.codes
            ],
            "monitors": [{"name": m.name, "fate": m.fate, "before": m.before, "after": m.after} for m in diff.monitors],
            "cleared": diff.cleared or None,
            "doubts": list(diff.doubts),
            "image": None if image is None else sound(image),
            "held": [_held_part(one, view) for one in diff.held],
            "notes": list(diff.notes),
        },
    )


def _held_part(one: Held, view: View) -> Json:
    hide = one.what == "VIN" and not view.personal
    reported, expected = ([shortened(t) if hide else t for t in texts] for texts in (one.reported, one.expected))
    return {"what": one.what, "state": one.state, "shortened": hide, "reported": reported, "expected": expected}


def _side(snapshot: Snapshot, view: View) -> Json:
    readiness = snapshot.readiness
    return {
        "label": sound(snapshot.label),
        "file": str(snapshot.file),
        "taken": snapshot.taken,
        "vin": None if snapshot.vin is None else _vin(snapshot.vin, view),
        "vin_digest": None if view.key is None or not snapshot.vin else view.key.digest("vin", snapshot.vin),
        "calibration_ids": list(snapshot.calibration_ids),
        "cvns": list(snapshot.cvns),
        "lamp": snapshot.lamp,
        "count": snapshot.count,
        **{kind: None if (codes := snapshot.of(kind)) is None else list(codes) for kind in KINDS},
        "records": None
        if snapshot.records is None
        else [{"code": r.code, "status": r.status, "flags": list(r.flags)} for r in snapshot.records],
        "ignition": None if readiness is None else readiness.ignition,
        "readiness": None if readiness is None else dict(readiness.states),
        "distance": snapshot.distance,
        "warm_ups": snapshot.warm_ups,
        "notes": [*snapshot.oddities, *snapshot.notes],
    }
