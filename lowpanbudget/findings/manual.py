"""The manual of every finding, as people read it: data, one file a subject in ``manuals``, a table a finding.

``severity`` is the usual one, ``certainty`` what it takes to prove it, ``cite`` a document and its section.
"""

import pkgutil
import tomllib
from collections.abc import Iterator
from functools import cache

from lowpanbudget.cites import Cite
from lowpanbudget.findings.finding import Certainty, Severity
from lowpanbudget.values import FrozenDict, dataclass

# of captures from the file to the application and the plan, then of designs: the order in which they are listed
SUBJECTS = (
    "capture", "check-sequences", "link", "editions", "slots", "acknowledgements", "nodes", "security", "unsealing",
    "keys", "sealed", "sealing-numbers", "replays", "records", "unreadable", "contexts", "lowpan", "mesh",
    "checksums", "fragments", "reassembly", "recovery", "network", "prefixes", "rpl", "instances", "parents",
    "configurations", "daos", "registrations", "joining", "paths", "routing", "source-routes", "directions",
    "message-ids", "application", "requests", "refusals", "answers", "observations", "blocks", "protection", "plan",
    "messages", "floods", "forwarding", "delivery", "message-numbers", "tunnels", "planned-checksums",
    "planned-protection", "routes", "rhythms", "frames", "protocols", "settings", "deployment", "loads",
)  # fmt: skip
SECTIONS = {
    "sees": "What it sees",
    "costs": "Why it costs",
    "no_fault": "When it is no fault",
    "example": "Example",
    "advice": "What to do",
}


@dataclass(frozen=True, slots=True)
class Manual:
    """What a finding is; ``sections`` are its texts under the headings of ``SECTIONS``."""

    name: str
    title: str
    severity: Severity
    certainty: Certainty
    cite: Cite
    sections: dict[str, str]

    @property
    def advice(self) -> str:
        """Return what to do."""
        return self.sections[SECTIONS["advice"]]


@cache
def manuals(subject: str) -> dict[str, Manual]:
    """Return the manuals of a subject by the names of their findings."""
    octets = pkgutil.get_data(__package__, f"manuals/{subject}.toml")
    assert octets is not None, subject
    pages = tomllib.loads(octets.decode())
    return {
        name: Manual(
            name,
            page["title"],
            Severity[page["severity"].upper()],
            Certainty[page["certainty"].upper()],
            Cite(*page["cite"]),
            FrozenDict({heading: " ".join(page[key].split()) for key, heading in SECTIONS.items()}),
        )
        for name, page in pages.items()
    }


def every_manual() -> Iterator[Manual]:
    """Yield all manuals, subject by subject."""
    for subject in SUBJECTS:
        yield from manuals(subject).values()
