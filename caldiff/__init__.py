"""caldiff."""
