"""Text from outside made safe to show: what would be invisible, or would turn the text around it, is named instead."""

from __future__ import annotations

import unicodedata

_NAMED = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Controls, formats (the bidirectional ones among them), halves of pairs, unassigned; line and paragraph separators."""

_MARKS = frozenset({"Mn", "Me"})
_MARKS_IN_A_ROW_MAX = 3
"""More accents than this on one letter would climb over the lines above."""


def visible(text: str) -> str:
    """The text with every character that does not show, or does more than show, as its number: ⟨U+202E⟩."""
    if text.isascii() and text.isprintable():
        return text
    out: list[str] = []
    marks = 0
    for character in text:
        category = unicodedata.category(character)
        marks = marks + 1 if category in _MARKS else 0
        if category in _NAMED or marks > _MARKS_IN_A_ROW_MAX:
            out.append(f"⟨U+{ord(character):04X}⟩")
        else:
            out.append(character)
    return "".join(out)


def shortened(text: str, characters_max: int) -> str:
    """The beginning of a text, and how much of it is left out."""
    left_out = len(text) - characters_max
    return text if left_out <= 0 else f"{text[:characters_max]}… ({left_out:,} more characters)"
