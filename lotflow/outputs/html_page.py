"""What the pages have in common: one HTML file each, that runs its own script and asks nobody."""

from __future__ import annotations

import base64
import hashlib
import html
import importlib.resources
import json
from typing import Any


def own_text(name: str) -> str:
    """Text of a file of this package, as "plan_page/page.css"."""
    return importlib.resources.files(__package__).joinpath(name).read_text("utf-8")


def escaped(value: object) -> str:
    """Make any text plain text of a page."""
    return html.escape(str(value))


def page_policy(style: str, script: str, *, images: bool = False) -> str:
    """
    Write a content policy: only this style and this script, no address, no form, no connection.

    Parameters
    ----------
    style, script
        What stands in the elements of the page.
    images
        Whether images that stand in the page are shown.

    Returns
    -------
    policy
        Value of an attribute, escaped.
    """

    def digest(text: str) -> str:
        return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")

    shown = "img-src data:; " if images else ""
    return escaped(
        f"default-src 'none'; base-uri 'none'; form-action 'none'; {shown}"
        f"style-src 'sha256-{digest(style)}'; script-src 'sha256-{digest(script)}'"
    )


def page_head(title: str, style: str, script: str) -> tuple[str, ...]:
    """Give the lines of a page before its content; `title` is any text."""
    return (
        "<!doctype html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{page_policy(style, script)}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escaped(title)}</title>",
        f"<style>{style}</style>",
        "</head>",
        "<body>",
    )


def data_text(data: Any) -> str:
    r"""
    Write data as JSON that cannot end its script element.

    `data`: text, numbers, lists and mappings; finite numbers only.

    Examples
    --------
    >>> data_text({"name": "</script>"})
    '{"name":"\\u003c/script>"}'
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
