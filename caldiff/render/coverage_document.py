"""Where the engine went, as a JSON document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from caldiff.evidence.covered import AxisCoverage, Coverage, TableCoverage
from caldiff.evidence.logs import LogRead
from caldiff.evidence.statistics import CellStatistics
from caldiff.render.document import Json, document, numbers, sound
from caldiff.render.drives import log_parts

__all__ = ["coverage_document"]


def coverage_document(coverage: Coverage, reads: Sequence[LogRead], against: Mapping[str, Sequence[str]]) -> Json:
    """The whole answer. Arrays are nested lists in array order; null stands where nothing was seen."""
    return document(
        "coverage",
        {
            "image": sound(coverage.label),
            "since": None if coverage.since is None else sound(coverage.since),
            "logs": log_parts(reads, against),
            "samples": coverage.samples,
            "seconds": coverage.seconds,
            "changed": coverage.changed,
            "visited": coverage.evident,
            "tables": [_table(table) for table in coverage.tables],
            "left_out": [{"name": t.name, "reason": t.reason, "changed": t.changed} for t in coverage.left_out],
        },
    )


def _table(table: TableCoverage) -> Json:
    change: Json | None = None
    if table.change is not None:
        change = {
            "cells": table.changed,
            "visited": table.evident,
            "evidence": table.evidence,
            "least_seconds": table.least_seconds,
            "moved": table.change.moved,
            "changed": table.change.changed.tolist(),
            "step": numbers(table.change.step.tolist()),
        }
    return {
        "name": table.name,
        "unit": table.table.unit,
        "shape": list(table.table.shape),
        "axes": [
            _axis(axis, points.physical.tolist()) for axis, points in zip(table.axes, table.table.axes, strict=True)
        ],
        "change": change,
        "samples": table.samples.tolist(),
        "seconds": numbers(table.seconds.tolist()),
        "shares": numbers(table.shares.tolist()),
        "visits": table.visits.tolist(),
        "statistics": {quantity: _told(told) for quantity, told in table.statistics.items()},
    }


def _axis(axis: AxisCoverage, points: list[float]) -> Json:
    return {
        "name": axis.name,
        "quantity": axis.quantity,
        "unit": axis.unit,
        "points": numbers(points),
        "seconds": axis.seconds,
        "below": axis.below,
        "above": axis.above,
        "least": axis.least,
        "greatest": axis.greatest,
    }


def _told(told: CellStatistics) -> Json:
    return {
        "seconds": numbers(told.seconds.tolist()),
        "mean": numbers(told.mean.tolist()),
        "spread": numbers(told.spread.tolist()),
        "least": numbers(told.least.tolist()),
        "greatest": numbers(told.greatest.tolist()),
        "percentiles": {f"{p:g}": numbers(values.tolist()) for p, values in told.percentiles.items()},
        "error": told.error,
    }
