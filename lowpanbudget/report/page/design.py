"""The data of a design's page: flows, their settings, and for every state the rooms and frames that were encoded."""

from collections.abc import Callable
from pathlib import PurePath

from lowpanbudget.design.cautions import cautions
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.finding import ranked
from lowpanbudget.findings.planned import flow_findings, message_findings
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.report import view
from lowpanbudget.report.audit_text import sentence
from lowpanbudget.report.fit_text import slot_ends
from lowpanbudget.report.invented import invented
from lowpanbudget.report.page.apart import apart_parts
from lowpanbudget.report.page.figures import Figures
from lowpanbudget.report.page.messages import message_pages
from lowpanbudget.report.page.network import network_part
from lowpanbudget.report.page.words import key_meaning
from lowpanbudget.report.screen import harmless
from lowpanbudget.room.fit import fit
from lowpanbudget.room.further import FurtherFrames
from lowpanbudget.room.states import (
    Setting,
    SettingsState,
    combinations_of,
    count_of,
    most_of,
    settings_by_flow,
    states,
)

_MOST_FRAMES = 8  # of a payload, up to which its cliffs are told
Tell = Callable[[int, int | None], None]


def design_page(
    design: Design, tell: Tell | None = None, most: int | None = None, *, network: bool = True
) -> view.Data:
    """Return all that the page of a design shows, as plain data.

    ``tell`` is called with the states that are done and those there are, and with None for these when they all are and
    a network is simulated. Settings of a flow with more than ``most`` states are encoded alone and in pairs. Without
    ``network`` it does not tell what the network carries.
    """
    figures, frames_more = Figures(), FurtherFrames(_MOST_FRAMES)
    most = most_of(design) if most is None else most
    settings = settings_by_flow(design)
    total = sum(count_of(one, most) for one in settings.values())
    flows, done = [], 0
    for flow in design.flows:
        maker = _FlowPage(design, flow, settings[flow.name], figures, frames_more)
        for state in states(design, flow, settings[flow.name], most):
            maker.add(state)
            done += 1
            if tell is not None:
                tell(done, total)
        flows.append(maker.data(is_whole=combinations_of(settings[flow.name]) <= most))
    fits = fit(design)
    found = [*flow_findings(design), *message_findings(design, fits)]
    carried: view.Data | None = None
    if network:
        if tell is not None and design.tree is not None:
            tell(done, None)
        carried, of_network = network_part(design)
        found.extend(of_network)
    file = harmless(PurePath(design.file).name)  # the page goes to others: not where it lies
    return {
        "title": harmless(design.title or file),
        "file": file,
        "phy": PHYS[design.link.phy].says_largest,
        "slot": "" if design.link.in_slot is None else slot_ends(design.link.in_slot),
        "flows": flows,
        "messages": message_pages(design, fits, figures),
        "review": [_finding(one) for one in view.findings(ranked(found))],
        "network": carried,
        "apart": apart_parts(design),
        **figures.data(),
    }


def _finding(one: view.Data) -> view.Data:
    return {
        "severity": one["severity"], "name": one["name"], "title": harmless(one["title"]),
        "subject": harmless(one["subject"]), "cause": harmless(sentence(one["cause"], one["subject"])),
        "advice": harmless(sentence(one["advice"])), "weight": one["has_weight"],
        "cite": [harmless(one["cite"]), one["link"]],
    }  # fmt: skip


class _FlowPage:
    """One flow: its hops, its settings, and what each state of them has."""

    def __init__(
        self, design: Design, flow: Flow, settings: tuple[Setting, ...], figures: Figures, frames_more: FurtherFrames,
    ) -> None:  # fmt: skip
        self._design, self._flow, self._figures = design, flow, figures
        self._frames_more = frames_more
        self._settings = settings
        self._columns = [
            (setting.dimension, knob.value, knob.id)
            for setting in self._settings
            for knob in setting.changes
        ]
        self._rooms: list[list[int] | None] = []
        self._frames: list[list[list[int]]] = []
        self._texts: list[list[int]] = []
        self._refused: dict[int, int] = {}
        self._cliffs: list[list[int]] = []
        self._restored: list[list[int]] = []
        self._links: list[list[int]] = []
        self._ids: list[tuple[str, ...]] = []

    def add(self, state: SettingsState) -> None:
        """Add a state, in the order of ``states``."""
        number = len(self._ids)
        self._ids.append(state.ids)
        text = self._figures.text
        if state.refusal:
            self._refused[number] = text(state.refusal)
            self._rooms.append(None)
            self._frames.append([])
            self._texts.append([])
            self._restored.append([])
            self._cliffs.append([])
            self._links.append([])
            return
        offered = {knob.id: knob for knob in state.offered}
        self._texts.append(
            [text(offered[one].text) if one in offered else -1 for *_, one in self._columns]
        )
        self._rooms.append(list(state.rooms))
        full = [
            self._figures.filled(path, room)
            for path, room in zip(state.paths, state.rooms, strict=True)
        ]
        self._frames.append([one.segments for one in full])
        self._restored.append([one.restored for one in full])
        self._cliffs.append(
            [
                self._figures.further(self._frames_more.cliffs(path, room), room)
                for path, room in zip(state.paths, state.rooms, strict=True)
            ]
        )

        self._links.append(
            [self._figures.link(*one) for one in zip(state.paths, state.rooms, strict=True)]
        )

    def data(self, *, is_whole: bool) -> view.Data:
        """Return what the page is told of the flow."""
        flow, design = self._flow, self._design
        paths = design.paths(flow)
        return {
            "name": harmless(flow.name),
            "direction": flow.direction,
            "hops": [
                {
                    "name": path.hop.name,
                    "cautions": [
                        harmless(text) for text in (*cautions(path), invented(path)) if text
                    ],
                }
                for path in paths
            ],
            "whole": is_whole,
            "ids": None if is_whole else [list(ids) for ids in self._ids],
            "settings": [self._setting(setting) for setting in self._settings],
            "rooms": self._rooms,
            "frames": self._frames,
            "offers": self._texts,
            "refused": self._refused,
            "cliffs": self._cliffs,
            "restored": self._restored,
            "links": self._links,
        }

    def _setting(self, setting: Setting) -> view.Data:
        figures = self._figures
        return {
            "dimension": harmless(setting.dimension),
            "key": harmless(setting.changes[0].key),
            "means": figures.text(key_meaning(setting.changes[0].key)),
            "changes": [
                {
                    "value": harmless(knob.value), "id": harmless(knob.id), "condition": figures.text(knob.condition),
                    "caution": figures.text(knob.caution), "stronger": knob.stronger,
                    "cite": figures.cite(knob.cite),
                }
                for knob in setting.changes
            ],
        }  # fmt: skip
