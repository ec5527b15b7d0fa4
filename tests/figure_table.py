"""The table of figures as Markdown, and the sum that the README shows."""

import functools
from collections import Counter

from figure_checks import DOCUMENTS, FIGURES, VERDICTS, verdict
from figure_vectors import VECTORS, Record, difference

TABLE = VECTORS / "FIGURES.md"


def proof(figure: Record) -> str:
    """Return what proves a figure: vectors, rows with theirs, or the header that ``explain`` shows."""
    match figure["kind"]:
        case "table":
            return "; ".join(f"`{code}` {name}" for code, name, _ in figure["rows"])
        case "stack":
            return ", ".join(f"{name}" for name, _ in figure["stacks"])
        case "sizes":
            return str(figure["vector"])
        case "octets":
            return ", ".join(figure["vectors"])
        case "format":
            fields = figure["fields"]
            where = figure.get("vector") or f"`lowpanbudget explain {figure['header']}`"
            return f"{where}: {len(fields)} fields, {sum(size for _, size, *_ in fields)} bits"
    return ""


def remark(figure: Record) -> str:
    contradicts = figure.get("contradicts")
    parts = [
        figure.get("why"),
        f"**The figure contradicts itself**: {contradicts}" if contradicts else None,
        figure.get("remark"),
        *(difference(name) for name in figure.get("vectors", [])),
    ]
    return "; ".join(dict.fromkeys(part for part in parts if part))


@functools.cache
def _verdicts() -> tuple[str, ...]:
    return tuple(verdict(figure) for figure in FIGURES)


def _with(worked: str) -> str:
    return ", ".join(str(rfc["rfc"]) for rfc in DOCUMENTS if rfc["worked"] == worked)


def sums() -> str:
    """Return the counts by verdict, and what the RFCs have of worked examples."""
    counts = Counter(_verdicts())
    wrong = sum("contradicts" in figure for figure in FIGURES)
    lines = [
        "| verdict | how many |",
        "|---|---|",
        *(f"| {name} | {counts[name]} |" for name in VERDICTS if counts[name]),
        f"| in all; {wrong} of them contradict themselves, and the list says where | {len(FIGURES)} |",
        "",
        f"Worked examples in octets or bits: RFC {_with('octets')}. Of another kind: RFC {_with('other')}.",
        f"None: RFC {_with('none')}.",
    ]
    return "\n".join(lines)


def table() -> str:
    """Return the Markdown of FIGURES.md."""
    verdicts = list(_verdicts())
    lines = [
        "# Figures and examples of the RFCs",
        "",
        "Written by `python tests/test_figures.py` from `figures.toml`: a verdict stands here if its check passes.",
        "Where another form than the printed one is sent, both stand in the remark from the first octet that differs",
        "to the last: RFC 7400 and 8138 say how a form is read, not which of several of one length is sent.",
        "",
        sums(),
        "",
    ]
    for rfc in DOCUMENTS:
        lines += [
            f"## RFC {rfc['rfc']}",
            "",
            f"Worked examples: {rfc['examples']}.",
            "",
            "| figure | section | what | verdict | proof | remark |",
            "|---|---|---|---|---|---|",
        ]
        for figure, word in zip(FIGURES, verdicts, strict=True):
            if figure["rfc"] == rfc["rfc"]:
                cells = [
                    figure["name"], figure["section"], figure["title"], word, proof(figure), remark(figure)
                ]  # fmt: skip
                lines.append("| " + " | ".join(cells) + " |")
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"
