"""One table of figures."""

from __future__ import annotations

from typing import Any

__all__ = ["show"]


def show(rows: list[dict[str, Any]]) -> None:
    """Print the rows: what was timed, milliseconds, the peer's, the ratio of the two, and what was wanted."""
    print(f"{'what':<58}{'ms':>10}{'peer ms':>11}  {'ratio':>8}  {'wanted':<10} peer")  # noqa: T201 - it prints
    for row in rows:
        peer_ms = "" if row.get("peer_ms") is None else f"{row['peer_ms']:.2f}"
        ratio = "" if row.get("ratio") is None else f"{row['ratio']:.3f}"
        memory = f"  peak {row['peak_mib']:.0f} MiB" if "peak_mib" in row else ""
        print(  # noqa: T201 - it prints
            f"{row['name']:<58}{row['ms']:>10.2f}{peer_ms:>11}  {ratio:>8}  {row.get('wanted') or '':<10} "
            f"{row.get('peer') or ''}{memory}"
        )
