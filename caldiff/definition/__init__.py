"""The definition room."""
