"""Citations as values: which document and which section says so.

A cite travels with every row, span, error and finding. This is the one place that turns it into text or a link.
"""

import re
from typing import NamedTuple

_IEEE = "IEEE 802.15.4"
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
    return Cite(f"{_IEEE}-{edition}", clause)


# these are compiled by who names a place first: most commands cite, and few look for what somebody typed
_ADDRESS = r"^https?://\S*/"
_DOCUMENT = r"\[?\b(?:rfc[\s-]*(\d+)|802\.15\.4[a-z]*(?:-(\d{4}))?)\b\]?"
_FILLING = r"\b(?:ieee|std|section|sect?|clause|of|the|in)\b\.?|[§#,:;()]|(?<!\d)-|-(?!\d)"
_SECTION = r"(?:(?:table|figure|appendix) )?(?:\d+|[a-z])(?:[.-]\d+)*"


def named_in(text: str) -> Cite | None:
    """Return the place that people name as in "RFC 6282 section 3.1.1" or "802.15.4 7.2"; None where they name none.

    The section is empty where only a document is named; IEEE 802.15.4 may be named without an edition.
    """
    text = re.sub(_ADDRESS, "", text.lower())
    found = re.search(_DOCUMENT, text)
    if found is None:
        return None
    around = f"{text[: found.start()]} {text[found.end() :]}".replace("appendix-", "appendix ")
    section = " ".join(re.sub(_FILLING, " ", around).split()).strip(".")
    if section and not re.fullmatch(_SECTION, section):
        return None
    if section.startswith("appendix "):
        section = "appendix " + section.removeprefix("appendix ").upper()
    number, edition = found.groups()
    return Cite(
        f"RFC {int(number)}" if number else f"{_IEEE}-{edition}" if edition else _IEEE, section
    )
