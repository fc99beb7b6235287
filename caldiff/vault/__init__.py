"""Where entries and file bytes rest: a folder, without a server and without a lock."""
