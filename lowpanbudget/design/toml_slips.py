"""What people write where TOML wants something else, by what is found at the place of a syntax fault."""

import re
from typing import NamedTuple

from lowpanbudget.design.takes import MOST_SHOWN


class _Slip(NamedTuple):
    """A slip: how what the reader said of it begins, what stands at the place, and the words for people.

    ``{0}`` in them is the group of the pattern, ``{1}`` that with a point for a comma, ``{2}`` its code,
    ``{3}`` it without commas.
    """

    said: str
    found: re.Pattern[str]
    message: str
    hint: str


_SLIPS = (
    _Slip(
        "", re.compile(r"=\s*([+-]?[1-9]\d{0,2}(?:(?:,\d{3}){2,}|,\d{3}(?=\.\d))(?:\.\d+)?)(?!,?\d)"),
        "{0} is no number: nothing stands between thousands", "Write {3}",
    ),
    _Slip(
        "", re.compile(r"=\s*([+-]?[1-9]\d{0,2},\d{3})(?!,?\d|\.)"), "{0} is no number: no comma stands in one",
        "Write {3} where the comma parts thousands, and {1} where decimals stand behind it",
    ),
    _Slip(
        "", re.compile(r"=\s*([+-]?\d+,\d+)(?!,?\d|\.)"),
        "{0} is no number: a point stands before decimals", "Write {1}",
    ),
    _Slip(
        "Expected newline", re.compile(r"=\s*(\d[0-9a-fA-F]*[a-fA-F][0-9a-fA-F]*)\b"),
        "{0} is no number", 'Write 0x{0} for a number in hex digits, or "{0}" for a text',
    ),
    _Slip(
        "Expected newline", re.compile(r"=\s*([+-]?\d{1,3}(?:\.\d{3}){2,})"),
        "{0} is no number: nothing stands between thousands", "Write it without points",
    ),
    _Slip("Expected newline", re.compile(r"=\s*(0X[0-9a-fA-F]+)\b"), "{0} is no number", "Write 0x with a small x"),
    _Slip(
        "Expected newline", re.compile(r"=\s*[+-]?0+([1-9]\d*)\b"), "a number does not begin with 0", "Write {0}",
    ),
    _Slip(
        "Expected newline", re.compile(r"=\s*[+-]?[\d.]+\s*(s|ms|min|h|d|m|%)\s*(?:#.*)?$"),
        "{0} stands behind a number", "Write the number alone, in the unit that belongs to the key",
    ),
    _Slip("Expected newline", re.compile(r"(;)\s*(?:#.*)?$"), "{0} ends no line of TOML", "Leave it out"),
    _Slip("Expected newline", re.compile(r"\s(//|--|/\*|;)"), "{0} begins no comment", "Comments begin with #"),
    _Slip("Invalid statement", re.compile(r"^\s*(//|/\*|;|%)"), "{0} begins no comment", "Comments begin with #"),
    _Slip(
        "Invalid statement", re.compile(r"^\s*([{])"), "a line begins with {0}, as in JSON",
        "A design is TOML: a table begins with [its name], and below it stands key = value, one to a line",
    ),
    _Slip("Expected '='", re.compile(r"^\s*[\w-]+\s*(:)"), "a colon stands behind a key", "Write key = value"),
    _Slip(
        "", re.compile(r"()(?:\0[^\0]|[^\0]\0){2}"), "every other octet is zero, as in UTF-16",
        "Save the file as UTF-8",
    ),
    _Slip(
        "", re.compile(r"(\r)(?=.)"), "a carriage return alone ends no line",
        "Save the file with line feeds (LF), or with both (CR LF)",
    ),
    _Slip(
        r"Illegal character '\n", re.compile(r"([\"'])[^\"']*$"), "a text is not closed in its line",
        "Write the {0} that ends it, or three of them at both ends of a text of several lines",
    ),
    _Slip(
        "Illegal character", re.compile(r"([\x00-\x08\x0b-\x1f\x7f])"),
        "a control character, U+{2:04X}, stands there unseen", "Delete it, or write \\u{2:04x} in a text",
    ),
    _Slip(
        "Invalid value", re.compile("=\\s*([\u2018\u2019\u201c\u201d\u201e\u00ab])"), "{0} is no quote of TOML",
        'Write straight ones: "a text"',
    ),
)  # fmt: skip


def slip(said: str, line: str, column: int) -> tuple[str, str] | None:
    """Return what is wrong in a line, and what to write, by what the reader said of a column and what stands there."""
    for one in _SLIPS:
        for found in one.found.finditer(line) if said.startswith(one.said) else ():
            if found.start() <= column - 1 <= found.end():
                word = found[1][:MOST_SHOWN]
                words = (word, word.replace(",", "."), ord(word[:1] or "\0"), word.replace(",", ""))
                return one.message.format(*words), one.hint.format(*words)
    return None
