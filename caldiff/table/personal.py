"""What identifies somebody: shortened for people, and for matching replaced by a digest under a key. Free of numpy.

A plain digest would not do. A VIN has 17 characters, yet whoever knows model and year is left with some millions of
them: all are hashed in a moment, and the one whose digest was published is found.
"""

from __future__ import annotations

from caldiff.errors import UsageError

__all__ = ["Key", "shortened"]

_KEPT = 4
"""characters of a personal text that stay readable: enough to recognise one's own, too few to name anybody"""
_SHARE = 4
"""no more stays readable than one character of so many"""
_LEAST = 16
"""bytes of a key: fewer could be tried through"""
_FORM = b"caldiff identity, form 1\n"


def shortened(text: str) -> str:
    """A personal text with all but its end replaced: four characters stay of 16 and more, of fewer a quarter."""
    kept = min(_KEPT, len(text) // _SHARE)
    return "*" * (len(text) - kept) + text[len(text) - kept :]


class Key:
    """A secret that a shop holds. Whoever has it can tell whether two records speak of one vehicle, nobody else.

    Line ends after the secret do not count, so that an editor does no harm.

    Raises:
        UsageError: the secret has fewer than 16 bytes.
    """

    __slots__ = ("_secret",)

    def __init__(self, secret: bytes) -> None:
        secret = secret.rstrip(b"\r\n")
        if len(secret) < _LEAST:
            raise UsageError(
                f"a key has {_LEAST} bytes or more, so that it cannot be guessed",
                got=f"{len(secret)} bytes",
                hint="make one of 32 random bytes, once, and keep it",
            )
        self._secret = secret

    @property
    def name(self) -> str:
        """Eight hexadecimal digits that tell keys apart and give nothing away."""
        return self._of(b"name")[:8]

    def digest(self, what: str, text: str) -> str:
        """``hmac-sha256:KEY:DIGEST`` of a personal text: equal for equal texts under one key, and only then.

        ``what`` tells texts of different meaning apart, such as ``vin``.
        """
        return f"hmac-sha256:{self.name}:{self._of(what.encode(), b'=', text.encode('utf-8', 'surrogatepass'))}"

    def _of(self, *parts: bytes) -> str:
        import hmac  # noqa: PLC0415 - only with a key

        return hmac.new(self._secret, _FORM + b"".join(parts), "sha256").hexdigest()
