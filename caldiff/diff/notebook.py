"""A comparison as a small table for notebooks. Text from images and definitions can never become markup."""

from __future__ import annotations

from html import escape

from caldiff.diff.model import Comparison, TableDiff

__all__ = ["comparison_html"]

_MOST = 100
"""tables listed"""
_HEADS = ("table", "state", "cells", "least", "greatest", "unit", "moved axes")


def comparison_html(comparison: Comparison) -> str:
    """Which tables changed, by how many cells and how far; what is beyond 100 tables is left out, and said."""
    caption = f"{comparison.before.label} \u2192 {comparison.after.label}: {_summary(comparison)}"
    heads = "".join(f'<th scope="col">{head}</th>' for head in _HEADS)
    rows = "".join(_row(table) for table in comparison.tables[:_MOST])
    more = len(comparison.tables) - _MOST
    left_out = f"<p>{more} tables more are not shown.</p>" if more > 0 else ""
    body = f"<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody>" if rows else ""
    return f"<table><caption>{escape(caption)}</caption>{body}</table>{left_out}"


def _summary(comparison: Comparison) -> str:
    if comparison.identical:
        return "the same"
    fates = comparison.fates
    return (
        f"{comparison.warning}{len(comparison.tables)} tables, {len(comparison.axes)} axes; "
        f"{fates.total} bytes differ, {fates.unexplained} of them unexplained"
    )


def _row(table: TableDiff) -> str:
    figures = table.statistics
    spec = table.after or table.before
    cells = (
        table.state,
        str(table.cells) if table.changed is not None else "",
        f"{figures.least:+g}" if figures else "",
        f"{figures.greatest:+g}" if figures else "",
        spec.unit if spec else "",
        ", ".join(table.moved),
    )
    data = "".join(f"<td>{escape(cell)}</td>" for cell in cells)
    return f'<tr><th scope="row">{escape(table.name)}</th>{data}</tr>'
