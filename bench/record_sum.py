"""The check sum of a record: SHA-256 over all that it says, whatever its layout. It shows damage and careless edits; it is no signature.

What is summed is the JSON content in one form: without the sum itself, keys sorted by code point, no white space, in ASCII, and every
number as Python writes a float (the shortest decimal that reads back as the same double). So a record may be indented, its keys put in
another order, and 1.0 written as 1. Anybody can check one:

    content = json.loads(text, parse_int=float)
    stated = content.pop("sha256")
    plain = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert hashlib.sha256(plain.encode()).hexdigest() == stated
"""

from __future__ import annotations

import json
from hashlib import sha256

KEY = "sha256"
"""The key that the sum stands under, beside `schema` and `format`."""


def sum_of(text: str) -> str:
    """Return the sum, in hexadecimal digits, of the record that is this JSON text, with or without a sum in it.

    JSONDecodeError, RecursionError or ValueError for what is no JSON object.
    """
    content = json.loads(text, parse_int=float)
    if not isinstance(content, dict):
        raise ValueError(f"only an object has a check sum, got {type(content).__name__}")
    content.pop(KEY, None)
    return sha256(json.dumps(content, sort_keys=True, separators=(",", ":")).encode("ascii")).hexdigest()
