"""Prints the JSON Schema of a journal's line; docs/journal.schema.json is made with it:

python -m meterlink.journal.schema > docs/journal.schema.json
"""

from __future__ import annotations

import json
import sys

from meterlink import records


def text() -> str:
    """The schema as it is published. Source: JSON Schema 2020-12; the record types in meterlink/records.py."""
    return json.dumps(records.schema(), indent=1, sort_keys=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(text())
