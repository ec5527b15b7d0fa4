"""Surveys of captures as plain data: grouped by flow, node and kind of frame, the most octets first."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.series import TimeSeries
from lowpanbudget.capture.survey import Cell, Survey
from lowpanbudget.capture.surveyed_file import SurveyedFile
from lowpanbudget.capture.tally import Tally
from lowpanbudget.env import link_text
from lowpanbudget.layers.link.stations import network_text
from lowpanbudget.report.view import Data, data_of, receivers


def alone(survey: Survey, title: str, by: str | None = None) -> Data:
    """Return a survey whose captures nobody names, in the groups of ``details``."""
    return details(survey, [told(SurveyedFile(title, survey, (), 0))], by)


def told(one: SurveyedFile) -> Data:
    """Return what is told of a capture beside its survey."""
    verdicts = one.survey.check_sequences
    return {
        "capture": one.file,
        "frames": one.survey.total.frames,
        "ends": [verdict.text for verdict in verdicts if not verdict.as_claimed],
        "by_columns": one.survey.shares.columns,
        "notices": data_of(one.notices),
    }


def details(survey: Survey, captures: Sequence[Data], by: str | None) -> Data:
    """Return a survey of these captures; ``by`` ("flow", "node", "kind", "time") leaves the other groupings out."""
    groups: dict[str, tuple[str, Iterable[tuple[Data, Tally]]]] = {
        "flow": (
            "flows",
            _of_networks(survey, lambda cell: cell.flow, lambda key: _flow(key, survey)),
        ),
        "node": ("nodes", _of_networks(survey, lambda cell: cell.node, _node)),
        "kind": ("kinds", (({"name": key}, tally) for key, tally in survey.kinds.items())),
    }
    return {
        "captures": list(captures),
        "receivers": receivers(survey.receptions),
        "outside": survey.outside,
        "assumed": list(survey.assumed),
        "total": data_of(survey.total),
        "networks": [
            {"name": network_text(number), "frames": tally.frames, "octets": tally.octets}
            for number, tally in survey.networks.items()
        ],
        **{name: _rows(rows) for key, (name, rows) in groups.items() if by is None or by == key},
        **({} if survey.series is None else {"series": over_time(survey.series)}),
        "natures": dict(sorted(data_of(survey.natures).items())),
        "reasons": dict(sorted(survey.reasons.items(), key=lambda item: (-item[1], item[0]))),
    }


def lines(survey_data: Data) -> Iterator[Data]:
    """Yield all rows of a survey's groups, each with the name of its group; the total first."""
    yield {"group": "total", **survey_data["total"]}
    for group in ("flows", "nodes", "kinds"):
        for row in survey_data.get(group, ()):
            yield {"group": group, **row, "name": row.get("address", row["name"])}
    for cell in survey_data.get("series", {}).get("cells", ()):
        yield {"group": "series", **cell, "name": cell["address"]}


def _of_networks(
    survey: Survey, of: Callable[[Cell], Any], words: Callable[[Any], Data]
) -> Iterator[tuple[Data, Tally]]:
    """Yield the rows of a grouping; where the capture has several PANs, each row is of one, if its frames name any."""
    for (number, key), tally in survey.apart(of).items():
        yield {**words(key), "network": None if number is None else network_text(number)}, tally


def _flow(key: FlowKey | str, survey: Survey) -> Data:
    if isinstance(key, str):
        return {"name": key}
    return {"name": str(key), "in_design": survey.names.get(key) or None, **data_of(key)}


def _node(key: bytes | str) -> Data:
    return {"name": key if isinstance(key, str) else key.hex(), "address": _address(key)}


def _address(node: bytes | str | None) -> str | None:
    return link_text(node) if isinstance(node, bytes) else node


def over_time(series: TimeSeries) -> Data:
    """Return a series: its cells by time and then by node, with nothing for a node in a step without its frames."""
    cells = [
        {
            "start_ns": step * series.every_ns,
            "name": node.hex() if isinstance(node, bytes) else node,
            "address": _address(node),
            "network": None if number is None else network_text(number),
            **data_of(one),
        }
        for (number, node), steps in series.nodes_of_networks.items()
        for step, one in steps.items()
    ]
    return {
        "every_s": series.every_ns / SECOND,
        "asked_s": series.asked_ns / SECOND,
        "untimed": series.untimed,
        "cells": sorted(
            cells, key=lambda cell: (cell["start_ns"], cell["name"] or "", cell["network"] or "")
        ),
    }


def _rows(groups: Iterable[tuple[Data, Tally]]) -> list[Data]:
    """Return groups with what they cost, the most octets first."""
    rows = [{**name, **data_of(tally)} for name, tally in groups]
    return sorted(rows, key=lambda row: (-row["octets"], row["name"]))
