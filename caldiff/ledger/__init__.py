"""The hash chain of a unit: entries, envelopes, signatures, checkpoints. Pure: bytes in, verified objects out."""
