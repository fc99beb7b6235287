"""``python -m caldiff`` is ``caldiff``."""

from __future__ import annotations

import sys

from caldiff.cli import process

if __name__ == "__main__":
    sys.exit(process())
