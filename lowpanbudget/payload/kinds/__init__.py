"""The kinds of fields: one a file."""
