"""The render room."""
