"""Surveys of captures as plain data: grouped by flow, node and kind of frame, the most octets first."""

from collections.abc import Iterable, Iterator, Sequence

from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.survey import Survey
from lowpanbudget.capture.tally import Tally
from lowpanbudget.env import link_text
from lowpanbudget.report.view import Data, data_of, receivers


def alone(survey: Survey, title: str) -> Data:
    """Return a survey whose captures nobody names."""
    told = {
        "capture": title,
        "frames": survey.total.frames,
        "ends": ends(survey),
        "notices": [],
    }
    return details(survey, [told], None)


def ends(survey: Survey) -> list[str]:
    """Return what was found at the end of frames otherwise than the capture says."""
    return [verdict.text for verdict in survey.check_sequences if not verdict.as_claimed]


def details(survey: Survey, captures: Sequence[Data], by: str | None) -> Data:
    """Return a survey of these captures; ``by`` ("flow", "node", "kind") leaves the other groupings out."""
    groups: dict[str, tuple[str, Iterable[tuple[Data, Tally]]]] = {
        "flow": ("flows", ((_flow(key, survey), tally) for key, tally in survey.flows.items())),
        "node": ("nodes", ((_node(key), tally) for key, tally in survey.nodes.items())),
        "kind": ("kinds", (({"name": key}, tally) for key, tally in survey.kinds.items())),
    }
    return {
        "captures": list(captures),
        "receivers": receivers(survey.receptions),
        "outside": survey.outside,
        "total": data_of(survey.total),
        **{name: _rows(rows) for key, (name, rows) in groups.items() if by is None or by == key},
        "natures": data_of(survey.natures),
        "reasons": dict(sorted(survey.reasons.items(), key=lambda item: (-item[1], item[0]))),
    }


def lines(survey_data: Data) -> Iterator[Data]:
    """Yield all rows of a survey's groups, each with the name of its group; the total first."""
    yield {"group": "total", **survey_data["total"]}
    for group in ("flows", "nodes", "kinds"):
        for row in survey_data.get(group, ()):
            yield {"group": group, **row, "name": row.get("address", row["name"])}


def _flow(key: FlowKey | str, survey: Survey) -> Data:
    if isinstance(key, str):
        return {"name": key}
    return {"name": str(key), "in_design": survey.names.get(key) or None, **data_of(key)}


def _node(key: bytes | str) -> Data:
    if isinstance(key, str):
        return {"name": key, "address": key}
    return {"name": key.hex(), "address": link_text(key)}


def _rows(groups: Iterable[tuple[Data, Tally]]) -> list[Data]:
    """Return groups with what they cost, the most octets first."""
    rows = [{**name, **data_of(tally)} for name, tally in groups]
    return sorted(rows, key=lambda row: (-row["octets"], row["name"]))
