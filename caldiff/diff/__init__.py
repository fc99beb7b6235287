"""The diff room."""
