"""``survey CAPTURE...``: where the octets of captures go, by flow, node, kind of frame and layer."""

from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import captures, options
from lowpanbudget.cli.main import COMMANDS
from lowpanbudget.errors import WireError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import Console

    from lowpanbudget.capture.follow.flows import FlowKey
    from lowpanbudget.capture.follow.sighting import Sighting
    from lowpanbudget.capture.tally import Tally
    from lowpanbudget.report.screen import Screen

_GROUPS = ("flow", "node", "kind")
_MOST_NAMES = 8192

_EXAMPLE = """\b
lowpanbudget survey mesh.pcap --context 0=2001:db8::/64
lowpanbudget survey monday.pcap tuesday.pcap.gz --design examples/footbridge.toml --by flow"""


@click.command("survey", short_help=COMMANDS["survey"], epilog=_EXAMPLE)
@click.argument("captures_given", metavar="CAPTURE...", nargs=-1, required=True)
@captures.reading_options
@click.option(
    "--by", type=click.Choice(_GROUPS), help="Only this grouping, all of it; else the largest of each."
)  # fmt: skip
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    captures_given: tuple[str, ...],
    design: str | None,
    key_file: str | None,
    contexts: tuple[str, ...],
    fcs: str,
    root: str | None,
    by: str | None,
    *,
    as_json: bool,
) -> None:
    """Show where the octets of each CAPTURE (- for standard input) go, all of them added up.

    For each flow, sending node and kind of frame: frames, octets by layer, application data, room left unused,
    fragments, retransmissions, duplicates, losses by sequence numbers, and what the shortest legal encoding would
    have saved. Each capture is read for itself: contexts that only another one announces want --context. The exit
    code is 3 when a file is no capture, is cut or is damaged; what could be read is shown first.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.report import machine

    captures.once(captures_given)
    known = captures.Knowledge(design, key_file, contexts, fcs, root)
    surveyed = _Surveyed()
    wrong = False
    for capture in captures_given:
        wrong |= surveyed.add(ctx, capture, known)
    plain = surveyed.plain(by)
    if as_json:
        output.emit(machine.document(survey=plain))
    else:

        def paint(console: "Console", screen: "Screen") -> None:
            from lowpanbudget.report import survey_text

            survey_text.survey(console, screen, plain, whole=by is not None)

        output.show(paint)
    if wrong:
        ctx.exit(WireError.exit_code)


class _Surveyed:
    """Surveys of several captures, added up."""

    def __init__(self) -> None:
        from lowpanbudget.capture.survey import Survey

        self.survey: Survey = Survey()
        self.captures: list[dict[str, Any]] = []
        self.names: dict[FlowKey, str] = {}

    def add(self, ctx: click.Context, capture: str, known: captures.Knowledge) -> bool:
        """Add a capture; return whether its file is wrong."""
        from lowpanbudget.capture.survey import Surveyor
        from lowpanbudget.cli.progress import followed
        from lowpanbudget.report import view

        trace = known.trace()
        surveyor = Surveyor(known.largest)
        with captures.opened(capture) as records:
            for sighting in trace.follow(followed(records, capture)):
                surveyor.add(sighting)
                if known.design is not None and sighting.datagram is not None:
                    self._name(sighting)
            surveyor.end(trace.leftover)
            wrong = captures.tell_notices(ctx, capture, records.notices, records.notice_count)
            notices = view.plain(records.notices)
        self.survey += surveyor.survey
        self.captures.append(
            {
                "capture": capture,
                "frames": surveyor.survey.total.frames,
                "ends": [verdict.text for verdict in trace.fcs.values() if not verdict.as_claimed],
                "notices": notices,
            }
        )
        return wrong

    def _name(self, sighting: "Sighting") -> None:
        """Remember the name that the design has for a flow, at its first datagram."""
        key = sighting.flow
        if key is not None and key not in self.names and len(self.names) < _MOST_NAMES:
            matched = sighting.matched
            self.names[key] = "" if matched is None else matched.flow.name

    def plain(self, by: str | None) -> dict[str, Any]:
        """Return all as plain data; ``by`` leaves the other groupings out."""
        survey = self.survey
        groups = {
            "flow": ("flows", ((self._flow(key), tally) for key, tally in survey.flows.items())),
            "node": ("nodes", ((_node(key), tally) for key, tally in survey.nodes.items())),
            "kind": ("kinds", (({"name": key}, tally) for key, tally in survey.kinds.items())),
        }
        return {
            "captures": self.captures,
            "total": _told(survey.total),
            **{
                name: _rows(rows) for key, (name, rows) in groups.items() if by is None or by == key
            },
            "reasons": dict(sorted(survey.reasons.items(), key=lambda item: (-item[1], item[0]))),
        }

    def _flow(self, key: "FlowKey | str") -> dict[str, Any]:
        from lowpanbudget.report import view

        if isinstance(key, str):
            return {"name": key}
        return {"name": str(key), "in_design": self.names.get(key) or None, **view.plain(key)}


def _node(key: bytes | str) -> dict[str, Any]:
    return {"name": key if isinstance(key, str) else key.hex()}


def _rows(rows: "Iterable[tuple[dict[str, Any], Tally]]") -> list[dict[str, Any]]:
    """Return groups with what they cost, the most octets first."""
    told = [{**name, **_told(tally)} for name, tally in rows]
    return sorted(told, key=lambda row: (-row["octets"], row["name"]))


def _told(tally: "Tally") -> dict[str, Any]:
    from lowpanbudget.report import view

    plain: dict[str, Any] = view.plain(tally)
    return plain
