"""Findings for people: worst first, each with its frames, evidence, cause and what to do."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

_STYLES = {"failure": "bold red", "risk": "bold yellow", "waste": "bold cyan", "remark": "dim"}
_PLURALS = {"failure": "failures", "risk": "risks", "waste": "wastes", "remark": "remarks"}


def audit(
    console: Console, screen: Screen, capture: str, frames: int, found: Sequence[dict[str, Any]]
) -> None:
    """Print the findings of one capture."""
    heading(console, screen, f"{capture}: {_frames(frames)}, {summary(found)}")
    findings(console, screen, found)
    if found:
        paragraph(
            console,
            screen,
            "lowpanbudget explain NAME tells what a finding sees and when it is no fault.",
        )
    console.print()


def design(console: Console, screen: Screen, found: Sequence[dict[str, Any]]) -> None:
    """Print the findings about a design, if there are any."""
    if found:
        heading(console, screen, f"What the design alone tells: {summary(found)}")
        findings(console, screen, found)


def summary(found: Sequence[dict[str, Any]]) -> str:
    """Return how many findings of each severity there are."""
    counts = Counter(one["severity"] for one in found)
    told = [
        f"{counts[word]} {word if counts[word] == 1 else plural}"
        for word, plural in _PLURALS.items()
        if counts[word]
    ]
    return ", ".join(told) or "nothing found"


def findings(console: Console, screen: Screen, found: Sequence[dict[str, Any]]) -> None:
    """Print findings, each a block."""
    for one in found:
        head = Text(screen.text(one["severity"].upper()), _STYLES[one["severity"]])
        subject = f" ({one['subject']})" if one["subject"] else ""
        head.append(screen.text(f"  {one['name']}{subject}"), "bold")
        console.print(head)
        paragraph(console, screen, f"{one['title']}. {_sentence(one['cause'])}", indent=2)
        for text in one["evidence"]:
            paragraph(console, screen, f"evidence: {text}", "dim", 4)
        if one["frames"]:
            paragraph(console, screen, _where(one), "dim", 4)
        paragraph(console, screen, f"do: {one['advice']}", indent=4)
        paragraph(console, screen, f"{one['certainty']}; {one['cite']}", "dim", 4)
        console.print()


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"


def _where(one: dict[str, Any]) -> str:
    numbers = ", ".join(str(number) for number in one["frames"])
    which = "frame" if len(one["frames"]) == 1 else "frames"
    times = "" if one["count"] <= 1 else f"; seen {one['count']} times"
    return f"{which} {numbers}{times}"
