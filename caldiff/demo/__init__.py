"""The demo: the invented controller family WREN-4, and a van that it drives through a conversion from afar."""
