"""Citations as values: which document and which section says so.

A cite travels with every row, span, error and finding. This is the one place that turns it into text or a link.
"""

from typing import NamedTuple

_EDITION_PREFIX = "IEEE"
FROM_MEMORY = "Clauses of IEEE 802.15.4 are cited from memory: its text is not free to read."


class Cite(NamedTuple):
    """A place in a standard, e.g. ``Cite("RFC 6282", "3.1.1")``; ``str`` gives the words people read."""

    document: str
    section: str = ""

    def __str__(self) -> str:
        """Return ``RFC 6282 §3.1.1``, or ``IEEE 802.15.4-2015 table 7-2`` where the section is a word."""
        if not self.section:
            return self.document
        sign = " §" if self.section[0].isdigit() else " "
        return f"{self.document}{sign}{self.section}"

    @property
    def link(self) -> str:
        """Return a web address for an RFC's section, or an empty text: the IEEE text is not public."""
        if not self.document.startswith("RFC "):
            return ""
        anchor = ""
        if self.section[:1].isdigit():
            anchor = f"#section-{self.section}"
        elif self.section.startswith("appendix "):
            anchor = f"#appendix-{self.section.removeprefix('appendix ').upper()}"
        return f"https://www.rfc-editor.org/rfc/rfc{self.document.removeprefix('RFC ')}{anchor}"


def rfc(number: int, section: str = "") -> Cite:
    """Return the cite of a section of an RFC."""
    return Cite(f"RFC {number}", section)


def ieee(edition: int, clause: str = "") -> Cite:
    """Return the cite of a clause or table of an edition of IEEE 802.15.4 (2003, 2006, 2011, 2015, 2020).

    The text is not free to read; clause and table numbers are given from memory unless a comment beside the cite says
    otherwise.
    """
    return Cite(f"{_EDITION_PREFIX} 802.15.4-{edition}", clause)
