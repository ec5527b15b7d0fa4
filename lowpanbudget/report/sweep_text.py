"""A sweep for people: how many settings there are and what they leave, then those that none surpasses."""

from collections.abc import Iterable, Sequence
from typing import Any

from rich.console import Console

from lowpanbudget.errors import plural
from lowpanbudget.report import layout
from lowpanbudget.report.fit_text import slot_ends
from lowpanbudget.report.layout import BREAK, Cell, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

_MOST_REASONS = 3
_FRONT = "Settings that none surpasses: more room wants more conditions, or less protection"
_EACH = "Least and most room of the settings with each value"
_CARRYING = "Settings that none surpasses and that carry {}, the fewest changes first"
_AS_DESIGNED = " (as designed)"
_WEAKER = "These protect less than the design; they are no advice"


def sweeps(console: Console, screen: Screen, flows: Sequence[dict[str, Any]]) -> None:
    """Print each sweep; of several flows what protects as the design does, and no axes."""
    told: set[str] = set()
    for one in flows:
        heading(console, screen, f"{one['flow']}, {one['direction']}: {_answer(one)}")
        paragraph(console, screen, _counted(one))
        for axis in one["axes"]:
            if axis["given"] and len(axis["values"]) > 1:
                values = [value["value"] for value in axis["values"]]
                text = (
                    f"A setting's room is its least for {axis['name']} {values[0]} to {values[-1]}."
                )
                paragraph(console, screen, text)
        if one["in_slot"] is not None:
            paragraph(console, screen, slot_ends(one["in_slot"]))
        console.print()
        alone = len(flows) == 1
        front = one["front"] if alone else _as_designed(one)
        weaker = one["weaker"] if alone else []
        title = _FRONT
        if carrying := _carrying(one, front):
            title, front = _CARRYING.format(plural(one["octets"], "octet")), carrying
        weaker = _carrying(one, weaker) or weaker
        _settings(console, screen, one, front, title)
        _settings(console, screen, one, weaker, _WEAKER)
        shown = [*front, *weaker]
        _conditions(console, screen, one, shown, told)
        if alone:
            _axes(console, screen, one)
    if len(flows) > 1:
        paragraph(
            console, screen, "--flow NAME shows every protection, and what each value leaves."
        )


def _answer(one: dict[str, Any]) -> str:
    if one["weakening"] and one["most"] is None:
        return "all settings protect less than the design"
    if one["most"] is None:
        return "no setting can be encoded"
    if "octets" in one:
        encoded = one["settings"] - one["refused"] - one["weakening"]
        settings = f"{one['carrying']:,} of {encoded:,} {'setting' if encoded == 1 else 'settings'}"
        return f"{settings} {'carries' if one['carrying'] == 1 else 'carry'} {plural(one['octets'], 'octet')}"
    return f"room from {one['least']} to {one['most']} octets, {one['now']} as designed"


def _counted(one: dict[str, Any]) -> str:
    axes = [axis for axis in one["axes"] if len(axis["values"]) > 1 and not axis["given"]]
    encoded = one["settings"] - one["refused"]
    text = f"{encoded:,} {'setting was' if encoded == 1 else 'settings were'} added up from encodings of "
    text += f"{len(axes)} {'axis' if len(axes) == 1 else 'axes'}; {one['proven']} of them "
    text += f"{'was' if one['proven'] == 1 else 'were'} encoded as a whole to prove it."
    if one["weakening"]:
        text += f" {one['weakening']:,} of them protect{'s' if one['weakening'] == 1 else ''} less than the design and "
        text += f"{'is' if one['weakening'] == 1 else 'are'} told apart."
    if one["refused"]:
        reasons = "; ".join(one["reasons"][:_MOST_REASONS])
        if len(one["reasons"]) > _MOST_REASONS:
            reasons += f"; {plural(len(one['reasons']) - _MOST_REASONS, 'more reason')}"
        text += f" {one['refused']:,} more cannot be encoded: {reasons}."
    return text


def _as_designed(one: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the settings of the front that protect as the design does."""
    now = _protection_now(one)
    return [setting for setting in one["front"] if setting["protection"] == now]


def _carrying(one: dict[str, Any], settings: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return those of the settings that carry the octets asked for, in the order of how much they change."""
    if "octets" not in one:
        return []
    enough = [setting for setting in settings if setting["room"] >= one["octets"]]
    return sorted(enough, key=lambda setting: len(setting["ids"]))


def _protection_now(one: dict[str, Any]) -> dict[str, str]:
    names = {name for setting in one["front"] for name in setting["protection"]}
    return {
        axis["name"]: value["value"]
        for axis in one["axes"]
        for value in axis["values"]
        if axis["name"] in names and value["now"]
    }


def _settings(
    console: Console,
    screen: Screen,
    one: dict[str, Any],
    settings: Sequence[dict[str, Any]],
    title: str,
) -> None:
    """Print settings under a title, those of one protection together."""
    if not settings:
        return
    paragraph(console, screen, title, "bold")
    apart = [axis for axis in one["axes"] if axis["apart"] and len(axis["values"]) > 1]
    if apart:
        names = " and ".join(axis["name"] for axis in apart)
        text = f"Each value of {names} has settings of its own: those of different ones are not compared."
        paragraph(console, screen, text, indent=2)
    now = _protection_now(one)
    groups: dict[tuple[tuple[int, ...], str], list[dict[str, Any]]] = {}
    for setting in settings:
        places = tuple(_place(axis, setting) for axis in apart)
        groups.setdefault((places, _protection(setting, now)), []).append(setting)
    first = {places: -number for number, (places, _) in enumerate(reversed(groups))}
    for (places, name), several in sorted(
        groups.items(), key=lambda group: (first[group[0][0]], group[0][1] != "")
    ):
        values = [_shown(axis, axis["values"][at]) for axis, at in zip(apart, places, strict=True)]
        text = ", ".join([*values, f"protection: {name or 'as designed'}"])
        paragraph(console, screen, text, indent=2)
        rows: list[list[Cell]] = [
            [[(str(s["room"]), "bold")], str(len(s["conditions"])), screen.text(_changes(one, s))]
            for s in several
        ]
        titles = ("room", "conditions", "changes")
        layout.put(console, layout.table(titles, rows, console.width, indent=4, right=(0, 1)))
    console.print()


def _place(axis: dict[str, Any], setting: dict[str, Any]) -> int:
    """Return the place of the value that a setting has of an axis: one of its changes, or the design's."""
    ids = [f"{axis['name']}={value['value']}" for value in axis["values"]]
    changed = (place for place, name in enumerate(ids) if name in setting["ids"])
    now = next((place for place, value in enumerate(axis["values"]) if value["now"]), 0)
    return next(changed, now)


def _shown(axis: dict[str, Any], value: dict[str, Any]) -> str:
    return f"{axis['name']} {value['value']}{_AS_DESIGNED if value['now'] else ''}"


def _changes(one: dict[str, Any], setting: dict[str, Any]) -> str:
    """Return the changes of a setting but those that stand above it: of protection, and of axes that are apart."""
    above = {f"{name}={value}" for name, value in setting["protection"].items()}
    above |= {
        f"{axis['name']}={value['value']}"
        for axis in one["axes"]
        for value in axis["values"]
        if axis["apart"] and len(axis["values"]) > 1
    }
    names = [name for name in _short(one, setting["ids"]) if name not in above]
    return ", ".join(names) or "none"


def _protection(setting: dict[str, Any], now: dict[str, str]) -> str:
    """Return in what the protection of a setting is not the design's."""
    changed = [
        f"{name}={value}" for name, value in setting["protection"].items() if now.get(name) != value
    ]
    return ", ".join(changed)


def _short(one: dict[str, Any], ids: Iterable[str]) -> list[str]:
    """Return names of changes without the flow that they are all of."""
    return [name.removeprefix(f"flow[{one['flow']}].") for name in ids]


def _conditions(
    console: Console,
    screen: Screen,
    one: dict[str, Any],
    settings: Sequence[dict[str, Any]],
    told: set[str],
) -> None:
    """Print what must hold for the changes of these settings, and what they weaken: each change the first time."""
    changes = {change["id"]: change for setting in settings for change in setting["changes"]}
    new = [
        c for name, c in changes.items() if name not in told and (c["condition"] or c["caution"])
    ]
    told.update(changes)
    if not new:
        return
    paragraph(console, screen, "What must hold", "bold")
    rows: list[list[Cell]] = []
    for change in new:
        text: list[Run] = [(screen.text(change["condition"]), "")] if change["condition"] else []
        if change["caution"]:
            text += [BREAK] if text else []
            text.append((screen.text(f"caution: {change['caution']}"), ""))
        rows.append([screen.text(_short(one, [change["id"]])[0]), text])
    layout.put(console, layout.table(("", ""), rows, console.width))
    console.print()


def _axes(console: Console, screen: Screen, one: dict[str, Any]) -> None:
    """Print the axes and the rooms that each value leaves."""
    for weaker, title in ((False, _EACH), (True, _WEAKER)):
        rows: list[list[Cell]] = []
        for axis in one["axes"]:
            name = axis["name"]
            for value in axis["values"]:
                if value["weaker"] is weaker:
                    ends = (value["least"], value["most"])
                    rooms = ["-" if end is None else str(end) for end in ends]
                    shown = screen.text(value["value"]) + (_AS_DESIGNED if value["now"] else "")
                    shown += " (cannot be encoded)" if ends == (None, None) else ""
                    rows.append([screen.text(name), shown, *rooms])
                    name = ""
        if rows and (weaker or one["most"] is not None):
            titles = ("axis", "value", "least", "most")
            paragraph(console, screen, title, "bold")
            layout.put(console, layout.table(titles, rows, console.width, right=(2, 3)))
            console.print()
