"""Findings for people: worst first, each with its frames, evidence, cause and what to do."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.errors import plural
from lowpanbudget.findings.home import MOST_APART
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

_WORD = re.compile(r"[a-z]+(?:-[a-z]+)*")
_OCTETS = re.compile(r"(?:[0-9a-f]{2})+")
_NAMED = re.compile(r"\b(?:message|flow|station) ([^\s,:]+)")
_STYLES = {"failure": "bold red", "risk": "bold yellow", "waste": "bold cyan", "remark": "dim"}


def audit(console: Console, screen: Screen, audited: dict[str, Any]) -> None:
    """Print the findings of one capture, and what each of several receivers heard."""
    entries, frames = audited["findings"], plural(audited["frames"], "frame")
    if audited["within"] is not None:
        frames = f"{audited['within']} of {frames}"
    # no frame was judged: that is no clean bill
    nothing = audited["within"] == 0 and not entries
    told = "none as asked for" if nothing else summary(entries)
    heading(console, screen, f"{audited['capture']}: {frames}, {told}")
    for text in receptions(audited["receivers"]):
        paragraph(console, screen, text)
    if (several := audited["networks"])[1:] and entries:
        beyond = several[1 + MOST_APART :]
        text = f"Frames of networks {', '.join(several[: 1 + MOST_APART])}"
        text += f" and {len(beyond)} more" if beyond else ""
        text += f": what names none is of {several[0]}, or of the whole capture."
        if beyond:
            text += (
                " So many are told apart: of the others each frame is judged by itself. "
                "Asked for by its ID, one network is judged alone."
            )
        paragraph(console, screen, text)
    findings(console, screen, entries)
    if entries:
        paragraph(
            console,
            screen,
            "lowpanbudget explain NAME tells what a finding sees and when it is no fault.",
        )
    console.print()


def receptions(receivers: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Yield what each of several receivers heard; nothing where there is one."""
    if receivers:
        yield "What more than one receiver heard is counted once:"
    for one in receivers:
        frames = plural(one["frames"], "frame")
        yield f"  {one['receiver']}: {frames}, {one['heard_by_others']} of them heard by others as well"


def arising(console: Console, screen: Screen, number: int, entry: dict[str, Any]) -> None:
    """Print in short a finding that has just come up with frame ``number`` (0: with none)."""
    where = f"frame {number}: " if number else ""
    subject = f" ({entry['subject']})" if entry["subject"] else ""
    text = f"{where}{entry['severity'].upper()}  {entry['name']}{subject}. {sentence(entry['cause'], entry['subject'])}"
    paragraph(console, screen, text, _STYLES[entry["severity"]])


def design(
    console: Console,
    screen: Screen,
    entries: Sequence[dict[str, Any]],
    of: str,
    *,
    whole: bool = True,
) -> None:
    """Print the findings of a design about what ``of`` says; where not ``whole`` those of no weight in short."""
    if not entries:
        return
    heading(console, screen, f"What the design alone tells of {of}: {summary(entries)}")
    short = [] if whole else [entry for entry in entries if not entry["has_weight"]]
    findings(console, screen, _told_once([entry for entry in entries if entry not in short]))
    for entry in _told_once(short):
        head = _head(screen, entry)
        head.append(screen.text(f": {entry['cause'].rstrip('.')}"))
        console.print(head)
    if short:
        console.print()


def _told_once(entries: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return findings with those together that say the same of several subjects."""
    alike: dict[str, dict[str, Any]] = {}
    for entry in entries:
        said = {name: value for name, value in entry.items() if name != "subject"}
        first = alike.setdefault(repr(said), {**entry, "subject": ""})
        first["subject"] += f"{'; ' if first['subject'] else ''}{entry['subject']}"
    return list(alike.values())


def summary(entries: Sequence[dict[str, Any]]) -> str:
    """Return how many findings of each severity there are."""
    counts = Counter(entry["severity"] for entry in entries)
    counted = [plural(counts[word], word) for word in _STYLES if counts[word]]
    return ", ".join(counted) or "nothing found"


def findings(console: Console, screen: Screen, entries: Sequence[dict[str, Any]]) -> None:
    """Print each finding: what and where, evidence, frames, advice, certainty and clause."""
    for entry in entries:
        console.print(_head(screen, entry))
        paragraph(
            console,
            screen,
            f"{entry['title']}. {sentence(entry['cause'], entry['subject'])}",
            indent=2,
        )
        for text in entry["evidence"]:
            paragraph(console, screen, f"evidence: {text}", "dim", 4)
        if entry["frames"]:
            paragraph(console, screen, _where(entry), "dim", 4)
        paragraph(console, screen, f"do: {entry['advice']}", indent=4)
        paragraph(console, screen, f"{entry['certainty']}; {entry['cite']}", "dim", 4)
        console.print()


def _head(screen: Screen, entry: dict[str, Any]) -> Text:
    """Return severity, name and subject of a finding."""
    head = Text(screen.text(entry["severity"].upper()), _STYLES[entry["severity"]])
    subject = f" ({entry['subject']})" if entry["subject"] else ""
    head.append(screen.text(f"  {entry['name']}{subject}"), "bold")
    return head


def sentence(text: str, subject: str = "") -> str:
    """Return a text as a sentence; a word that is no English one at its beginning stays as it is.

    Such are octets, addresses, and the names that a finding is about, which its ``subject`` has.
    """
    word = text.partition(" ")[0].removesuffix("'s").rstrip(",:;")
    names = {subject.partition(" ")[0], *_NAMED.findall(subject)}
    if _WORD.fullmatch(word) and not _OCTETS.fullmatch(word) and word not in names:
        text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."


def _where(entry: dict[str, Any]) -> str:
    numbers = ", ".join(str(number) for number in entry["frames"])
    which = "frame" if len(entry["frames"]) == 1 else "frames"
    times = "" if entry["count"] <= 1 else f"; seen {entry['count']} times"
    return f"{which} {numbers}{times}"
