"""What an image is and which tables its definition finds in it, as text."""

from __future__ import annotations

from collections import Counter, defaultdict

from caldiff.definition.definition import Definition
from caldiff.render.head import file_lines
from caldiff.render.look import Look, clip, pad, plural, width_of, wrapped
from caldiff.render.view import View
from caldiff.render.words import shape_words, unit_after
from caldiff.table.calibration import Calibration

__all__ = ["image_text"]


def image_text(calibration: Calibration, look: Look, view: View) -> str:
    """What the image is, and the tables that its definition finds in it."""
    out = file_lines(calibration, look, view)
    definition = calibration.definition
    if definition is not None:
        out += ["", *_regions(definition, look), *_groups(definition, look, view)]
    return "\n".join(out) + "\n"


def _regions(definition: Definition, look: Look) -> list[str]:
    rows = [
        (f"0x{r.start:08X} to 0x{r.stop - 1:08X}", r.role, look.text(r.name))
        for r in sorted(definition.regions, key=lambda r: r.start)
    ]
    return (
        [look.paint("Regions", "strong"), *(f"  {a}  {role:<12}{name}" for a, role, name in rows), ""] if rows else []
    )


def _groups(definition: Definition, look: Look, view: View) -> list[str]:
    specs = [s for s in definition.tables.values() if view.takes(s.name, s)]
    kinds = Counter(s.kind for s in specs)
    words = ", ".join(f"{count} {kind}" for kind, count in kinds.most_common())
    out = [look.paint("Tables", "strong"), *wrapped(f"{plural(len(specs), 'table')}: {words}", look.width, indent=2)]
    if len(specs) != len(definition.tables):
        out += wrapped(
            f"{len(definition.tables) - len(specs)} more do not match --table and --tag", look.width, indent=2
        )
    groups: dict[str, list[str]] = defaultdict(list)
    rows: dict[str, tuple[str, str]] = {}
    for spec in specs:
        groups[spec.group].append(spec.name)
        rows[spec.name] = (shape_words(spec, spec.cells.shape) + unit_after(spec), spec.title)
    names = min(max((width_of(look.text(n)) for n in rows), default=0), look.width // 2 - 6)
    kinds_width = min(max((width_of(look.text(what)) for what, _ in rows.values()), default=0), 22)
    for group in sorted(groups):
        out += ["", look.paint(look.text(group or "Without a group"), "strong")]
        shown = groups[group]
        for name in shown:
            what, title = (look.text(t) for t in rows[name])
            mark = look.glyph("…")
            first = pad(clip(look.text(name), names, mark=mark), names)
            line = f"  {first}  {pad(clip(what, kinds_width, mark=mark), kinds_width)}  {title}"
            out.append(clip(line, look.width, mark=mark).rstrip())
    return out
