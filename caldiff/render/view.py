"""What of a result is to be shown: the reader's choice, the same for every way of showing it."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Literal, get_args

import attrs

from caldiff.definition.model import TableSpec

if TYPE_CHECKING:
    from caldiff.table.personal import Key

__all__ = ["SHOWS", "Show", "View"]

Show = Literal["change", "both", "before", "after", "difference", "percent"]
SHOWS: tuple[Show, ...] = get_args(Show)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class View:
    """A reader's choice.

    Attributes:
        show: what stands in a grid: ``change`` is the value after with the step from before below it.
        stat: one line a table instead of its grid.
        whole: whole tables, every extent; nothing is cut.
        personal: identity fields that identify somebody are shown in full.
        key: what they are matched by in a document; without it they cannot be matched.
        globs, tags: only tables that match one of the globs (name or alias) and carry one of the tags; empty: all.
    """

    show: Show = "change"
    stat: bool = False
    whole: bool = False
    personal: bool = False
    key: Key | None = None
    globs: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()

    @property
    def filtered(self) -> bool:
        """Whether some tables may be left out."""
        return bool(self.globs or self.tags)

    def takes(self, name: str, *specs: TableSpec | None) -> bool:
        """Whether a table is shown: by its name, or the aliases and tags of any of its specs."""
        known = [s for s in specs if s]
        names = {name, *(a for s in known for a in (s.name, *s.aliases))}
        by_name = not self.globs or any(fnmatchcase(n, g) for n in names for g in self.globs)
        return by_name and (not self.tags or any(t in s.tags for s in known for t in self.tags))
