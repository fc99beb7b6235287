"""The table room."""
