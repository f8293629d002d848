"""Names of folders that are made from names in the input."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

#: Where results go when no folder is named.
RESULTS = Path("results")
#: Characters of a folder's name that is made from the site's.
LONGEST_NAME = 60


def slug(name: str) -> str:
    """A name as a folder may be called anywhere.

    Examples
    --------
    >>> slug("Mangrove Cove, lot 12"), slug(""), slug("Key Üllmann")
    ('mangrove-cove-lot-12', 'site', 'key-ullmann')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    words = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")
    return words[:LONGEST_NAME].strip("-") or "site"
