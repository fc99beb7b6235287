"""Which file ``extends: NAME`` means. A module of its own: the cache asks this at every start, and little else."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

__all__ = ["ENDING", "ancestor"]

ENDING = ".yaml"


def ancestor(name: str, beside: Path | None, folders: Iterable[Path]) -> Path | None:
    """The file that ``extends: NAME`` means: ``NAME.yaml`` in the folder ``beside``, else in the first that has it."""
    paths = (folder / f"{name}{ENDING}" for folder in (beside, *folders) if folder is not None)
    return next((path for path in paths if path.exists()), None)
