"""What is to be said of a value that was read. Free of numpy."""

from __future__ import annotations

import attrs

from caldiff.value import Value

__all__ = ["Remark"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Remark(Value):
    """Something about an identity field that people should know.

    Attributes:
        kind: which check, such as ``vin-check-digit``; stable, for people who filter.
        text: what is the matter, in words that follow the field's name. They give nothing away of a personal value.
        fault: something is wrong; else it is only worth knowing.
    """

    kind: str
    text: str
    fault: bool = True
