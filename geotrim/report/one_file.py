"""Pages that are one file: their parts, and how a security policy names what stands in them."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files


def policy_hash(text: str) -> str:
    """How a security policy names a script or style: SHA-256 in base 64 (CSP level 2)."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


@cache
def page_part(name: str) -> str:
    """A part of a page that is shipped beside this module: markup, style or script."""
    return files("geotrim.report").joinpath(name).read_text(encoding="utf-8")
