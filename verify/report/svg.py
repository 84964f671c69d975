"""From a drawing to SVG that stands inside a page: no prolog, no references outside, colours from the page's style."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

BLUE, VERMILLION, GREEN = "#0072b2", "#d55e00", "#009e73"
ORANGE, SKY, PURPLE, YELLOW = "#e69f00", "#56b4e9", "#cc79a7", "#f0e442"
"""The palette of Okabe and Ito (Color Universal Design, 2008), made to be told apart by colour-blind readers."""

INK, SOFT, RULE, PAPER = "#101214", "#505458", "#c0c4c8", "#fcfdfe"

VARIABLES = {
    BLUE: "--blue", VERMILLION: "--vermillion", GREEN: "--green", ORANGE: "--orange", SKY: "--sky",
    PURPLE: "--purple", YELLOW: "--yellow", INK: "--ink", SOFT: "--soft", RULE: "--rule", PAPER: "--paper",
}  # fmt: skip
"""The page's style says what each colour is in light, in dark and on paper."""

_COLOUR = re.compile("|".join(VARIABLES), re.IGNORECASE)
_ID = re.compile(r'\bid="([^"]+)"')
_HREF = re.compile(r'\b(?:xlink:)?href="#([^"]+)"')
_URL = re.compile(r"url\(#([^)]+)\)")
_NAMESPACE = re.compile(r'\s+xmlns(?::\w+)?="[^"]*"')
_STYLE_SHEET = re.compile(r"<style[^>]*>.*?</style>", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)
_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)
_SIZE = re.compile(r'<svg([^>]*?)\swidth="([\d.]+)pt"([^>]*)>')
_HEIGHT = re.compile(r'\sheight="[\d.]+pt"')
_FONT = re.compile(r"font:\s*(?:\w+\s+)?([\d.]+px)\s+[^;\"]*")
_EMPTY_DEFS = re.compile(r"<defs>\s*</defs>")


def inline_svg(figure: Figure, name: str, title: str) -> str:
    """One figure as an SVG element.

    Args:
        figure: the drawing, in the colours of this module.
        name: begins every id in it, so that several fit on one page.
        title: what it shows, in words, for those who do not see it.
    """
    raw = io.StringIO()
    figure.savefig(raw, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = raw.getvalue()
    text = text[text.index("<svg") :]
    for useless in (_METADATA, _STYLE_SHEET, _COMMENT, _EMPTY_DEFS):
        text = useless.sub("", text)
    text = _NAMESPACE.sub("", text)
    text = _ID.sub(lambda match: f'id="{name}-{match[1]}"', text)
    text = _HREF.sub(lambda match: f'href="#{name}-{match[1]}"', text)
    text = _URL.sub(lambda match: f"url(#{name}-{match[1]})", text)
    text = _COLOUR.sub(lambda match: f"var({VARIABLES[match[0].lower()]})", text)
    text = _FONT.sub(lambda match: f"font-size: {match[1]}", text)
    text = _SIZE.sub(lambda match: f'<svg{match[1]}{_HEIGHT.sub("", match[3])} role="img">', text, count=1)
    opening = text.index(">") + 1
    said = title.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return f"{text[:opening]}<title>{said}</title>{text[opening:].strip()}"
