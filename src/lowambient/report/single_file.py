"""Pages that hold their scripts and style sheet themselves, so that one file can be mailed."""

import base64
import re
from collections.abc import Iterable
from functools import cache
from hashlib import sha256

from lowambient.report.pages import asset_text, vendored

_STYLE = re.compile(r'<link rel="stylesheet" href="[^"]*assets/([^"/]+)">\n?')
_SCRIPT = re.compile(r'<script defer src="[^"]*assets/([^"/]+)"></script>\n?')
_ALLOWED = "script-src 'self' file:"


def inlined(text: str) -> str:
    """A page with its style sheet and scripts inside, and the licences of what others wrote.

    Scripts stand at the end of the body, where a deferred one would run, and the page's policy names each by its
    SHA-256 digest, so that none but these may run.
    """
    scripts = [script_text(name) for name in _SCRIPT.findall(text)]
    text = _STYLE.sub(lambda found: f"<style>\n{asset_text(found[1])}</style>\n", text)
    licences = "".join(f"<!--\n{licence}\n-->\n" for licence in _licences(_SCRIPT.findall(text)))
    text = _SCRIPT.sub("", text)
    digests = " ".join(f"'sha256-{_digest(script)}'" for script in scripts) or "'none'"
    text = text.replace(_ALLOWED, f"script-src {digests}", 1)
    body, end, rest = text.rpartition("</body>")
    return body + licences + "".join(f"<script>{script}</script>\n" for script in scripts) + end + rest


@cache
def script_text(name: str) -> str:
    """A script as it may stand inside a page: nothing in it ends or reopens its element.

    In strings, templates and regular expressions, where alone these can stand, the backslash changes nothing.
    """
    text = asset_text(name).replace("\r\n", "\n")
    return re.sub(r"<(/script|!--)", r"<\\\1", text, flags=re.IGNORECASE)


@cache
def _digest(script: str) -> str:
    """The digest of a script as a page's policy writes it (Content Security Policy Level 3, W3C, section 2.3.1)."""
    return base64.b64encode(sha256(script.encode("utf-8")).digest()).decode("ascii")


def _licences(scripts: Iterable[str]) -> list[str]:
    """Texts of the licences under which the scripts of others are handed on."""
    asked = {*scripts}
    if "outlines.js" in asked:
        asked |= {one["file"] for one in vendored() if one["file"].endswith(".json")}
    return [
        f"{one['package']} {one['version']}\n\n{asset_text(one['licence_text']).replace('--', '- -')}"
        for one in vendored()
        if one["file"] in asked
    ]
