"""What must hold before a file may go out, and the check of it."""
