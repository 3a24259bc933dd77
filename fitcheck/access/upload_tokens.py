"""Tokens that the page gives its own script for uploads, so that no other site can send any.

A browser sends cookies along whoever asks it to, but not a header of the asker's making: a
cross-site request with one needs a permission that is never given (Fetch standard, CORS).
"""

from __future__ import annotations

import hashlib
import hmac
import secrets

TOKEN_HEADER = "x-fitcheck-token"  # noqa: S105

_KEY = secrets.token_bytes(32)  # of this process


def upload_token(identity: str) -> str:
    """Return the token for uploads to one inspection."""
    return hmac.new(_KEY, identity.encode("utf-8"), hashlib.sha256).hexdigest()


def is_upload_token(identity: str, token: str) -> bool:
    """Tell whether a token is the one for uploads to that inspection."""
    return hmac.compare_digest(upload_token(identity).encode(), token.encode("utf-8", "replace"))
