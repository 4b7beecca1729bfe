"""What a page may load and run: from this host only, scripts by name or by the hash of their text, nothing evaluated.

Style stays open to inline text: the component library writes its variables into <style> elements and elements carry
style attributes whose values are computed; neither has a hash that is known beforehand. Inline style can hide or move
things on a page, it cannot run anything and, with every other source closed, cannot send anything away.
"""

import base64
import hashlib
import re
from typing import Final

from dash import Dash

from dashboard.login import page as login_page
from dashboard.login import reset_page

_INLINE: Final = re.compile(r"<script(?: type=\"importmap\")?>(.*?)</script>", re.DOTALL)


def content_security_policy(dash: Dash) -> str:
    """The policy of every page of a dashboard. Ask when all of its callbacks are registered."""
    ours = [
        text for html in (dash.index_string, login_page(), reset_page()) for text in _INLINE.findall(html)
    ]
    scripts = " ".join(dict.fromkeys([*map(_hash, ours), *dash.csp_hashes()]))
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'self' {scripts}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "connect-src 'self'",
            "worker-src 'self' blob:",
            "manifest-src 'self'",
            "object-src 'none'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def _hash(script: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
