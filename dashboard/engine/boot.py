"""Dash whose scripts are fetched at once and run when the document has been painted (boot.js), without two that nothing uses."""

import json
import re
from pathlib import Path
from typing import Any, Final

from dash import Dash

_SCRIPT: Final = re.compile(r'<script src="([^"]*)"(?: type="module")?></script>')
_UNUSED: Final = re.compile(r'<script src="[^"]*/(?:deps/polyfill@|dash_table/bundle)[^"]*"></script>\s*')
_IMPORTS: Final = re.compile(r'<script type="importmap">(.*?)</script>')
_AS_SCRIPT: Final = 'rel="preload" as="script"'
_AS_MODULE: Final = 'rel="modulepreload"'
START: Final = (Path(__file__).parent / "boot.js").read_text(encoding="utf-8")
"""What starts Dash then."""


class EarlyDash(Dash):
    """Dash without a table that no page has, and without what taught browsers of before 2020 the language.

    Of the latter assets/engine/generators.mjs has what is left.
    """

    def interpolate_index(self, **parts: Any) -> str:
        """The page with every part in its place."""
        scripts = _UNUSED.sub("", parts["scripts"])
        # Dash looks for the src of its renderer; only boot.js does anything with it.
        links = [
            f'<link {_AS_MODULE if ".mjs" in source else _AS_SCRIPT} href="{source}" data-src="{source}">'
            for source in _SCRIPT.findall(scripts)
        ]
        imported = _IMPORTS.search(self.index_string)
        addresses = json.loads(imported[1])["imports"].values() if imported else ()
        links += [f'<link {_AS_MODULE} href="{address}">' for address in addresses]
        whole: str = super().interpolate_index(
            **{**parts, "scripts": "".join(links) + _SCRIPT.sub("", scripts)}
        )
        return whole
