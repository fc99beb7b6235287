"""One module a rule: what it asks of a case, and what would satisfy it."""
