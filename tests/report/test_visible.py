"""Text from outside: nothing in it can hide, turn the line around, or climb over the lines beside it."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.report.visible import shortened, visible


@pytest.mark.parametrize("number", [0x202E, 0x202D, 0x2066, 0x2069, 0x200B, 0x200F, 0x1B, 0x00, 0x0A, 0x2028, 0xD800])
def test_what_does_not_show_is_named(number):
    assert visible(f"a{chr(number)}b") == f"a⟨U+{number:04X}⟩b"


@given(st.text(st.characters(codec=None)))
def test_nothing_invisible_is_left(text):
    shown = visible(text)
    assert not {unicodedata.category(c) for c in shown} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    shown.encode()


@given(st.text(st.characters(categories=["L", "N", "P", "Zs"])))
def test_letters_of_any_script_stay_as_they_are(text):
    assert visible(text) == text


def test_accents_stay_but_no_towers_of_them():
    assert visible("e\u0301") == "e\u0301"
    assert visible("e" + "\u0301" * 50).count("\u0301") == 3


def test_a_long_text_says_what_is_left_out():
    assert shortened("abc", 3) == "abc"
    assert shortened("a" * 2500, 1500) == "a" * 1500 + "… (1,000 more characters)"
