"""Prints the table of docs/auditor.md: python -m tests.tampering."""

from tests.tampering.forms import table

print(table(), end="")
