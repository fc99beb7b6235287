"""Logs as text and JSON: what was read of each, what was left out or repaired, and what the chain contradicts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from caldiff.evidence.channels import Tie
from caldiff.evidence.logs import LogRead
from caldiff.render.document import Json, sound
from caldiff.render.look import Look, plural, wrapped

__all__ = ["duration", "log_lines", "log_parts"]


def duration(seconds: float) -> str:
    """Seconds as people say them: ``12.3 s``, ``4 min 05 s``, ``2 h 10 min``."""
    if seconds < 59.95:  # noqa: PLR2004 - what shows as less than a minute
        return f"{seconds:.1f} s"
    whole = round(seconds)
    minutes, rest = divmod(whole, 60)
    if minutes < 60:  # noqa: PLR2004 - an hour
        return f"{minutes} min {rest:02} s"
    return f"{minutes // 60} h {minutes % 60:02} min"


def log_lines(reads: Sequence[LogRead], against: Mapping[str, Sequence[str]], look: Look) -> list[str]:
    """What was read of each log, and what does not go together with the chain."""
    out: list[str] = []
    for read in reads:
        sampling = read.sampling
        begun = f", begun {read.log.start}" if read.log.start else ""
        of = "" if sampling.counted == sampling.seconds else f" of {duration(sampling.seconds)}"
        rows = plural(sampling.rows, "row")
        out.append(look.text(read.log.name))
        out += wrapped(look.text(f"{rows}, {duration(sampling.counted)}{of} counted{begun}"), look.width, indent=4)
        for words in _details(read):
            out += wrapped(look.text(words), look.width, indent=4)
        for words in against.get(read.log.name, ()):
            lines = wrapped(look.text(words), look.width, indent=4, lead="  !")
            out += [look.paint(line, "alert") for line in lines]
    return out


def _details(read: LogRead) -> Iterator[str]:
    sampling = read.sampling
    for left in sampling.left_out:
        if left.rows:
            yield f"left out for want of {left.condition}: {plural(left.rows, 'row')}, {duration(left.seconds)}"
    if sampling.gaps:
        yield f"{plural(sampling.gaps, 'gap')} of {duration(sampling.gap_seconds)} together, counted for nothing"
    turned = [_tie(tie) for tie in read.ties.tied if not tie.conversion.same]
    if turned:
        yield f"converted: {', '.join(turned)}"
    for repair in read.log.repairs:
        yield str(repair)


def _tie(tie: Tie) -> str:
    by = f" by {float(tie.stoichiometric):g}" if tie.stoichiometric is not None else ""
    unit = tie.unit if tie.unit not in {None, "1"} else tie.quantity
    return f"{tie.channel} from {tie.said} to {unit}{by}"


def log_parts(reads: Sequence[LogRead], against: Mapping[str, Sequence[str]]) -> list[Json]:
    """The same as JSON."""
    return [
        {
            "name": sound(read.log.name),
            "file": str(read.log.file),
            "start": read.log.start,
            "rows": read.sampling.rows,
            "seconds": read.sampling.seconds,
            "counted": read.sampling.counted,
            "gaps": {"count": read.sampling.gaps, "seconds": read.sampling.gap_seconds},
            "left_out": [
                {"condition": left.condition, "rows": left.rows, "seconds": left.seconds}
                for left in read.sampling.left_out
            ],
            "channels": [
                {
                    "quantity": tie.quantity,
                    "channel": tie.channel,
                    "said": tie.said,
                    "unit": tie.unit,
                    "factor": str(tie.conversion.factor),
                    "offset": str(tie.conversion.offset),
                    "stoichiometric": None if tie.stoichiometric is None else str(tie.stoichiometric),
                }
                for tie in read.ties.tied
            ],
            "missing": [missing.quantity for missing in read.ties.missing],
            "repairs": [
                {"kind": repair.kind, "channel": repair.channel, "count": repair.count, "line": repair.line}
                for repair in read.log.repairs
            ],
            "contradictions": list(against.get(read.log.name, ())),
        }
        for read in reads
    ]
