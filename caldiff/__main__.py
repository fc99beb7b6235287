"""``python -m caldiff`` is ``caldiff``."""

from __future__ import annotations

import sys

from caldiff.cli import main

if __name__ == "__main__":
    sys.exit(main())
