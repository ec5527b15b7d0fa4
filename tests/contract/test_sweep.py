"""sweep and budget --hops: what is printed, written and answered, judged by other commands and by the files."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from lowpanbudget import (
    HopRoom,
    RoomByHops,
    SettingChange,
    Sweep,
    SweptAxis,
    SweptSetting,
    SweptValue,
    load_design,
    room_by_hops,
    sweep,
)

Invoke = Callable[..., Result]

TOP = Path(__file__).parents[2]
FOOTBRIDGE = str(TOP / "examples/footbridge.toml")
ARCHIVE = str(TOP / "examples/archive.toml")


@pytest.mark.parametrize(("path", "flow"), [(ARCHIVE, []), (FOOTBRIDGE, ["--flow", "blocks"])])
def test_a_sweep_begins_where_the_budget_is(invoke: Invoke, path: str, flow: list[str]) -> None:
    done = invoke("sweep", path, *flow, "--json")
    assert done.exit_code == 0, done.stderr
    swept = {one["flow"]: one for one in json.loads(done.stdout)["sweep"]}
    rooms: dict[str, list[int]] = {}
    for one in json.loads(invoke("budget", path, *flow, "--json").stdout)["budget"]:
        rooms.setdefault(one["flow"], []).append(one["room"])
    assert list(swept) == list(rooms)
    for name, one in swept.items():
        assert one["now"] == min(rooms[name])
        assert one["least"] <= one["now"] <= one["most"] == one["front"][0]["room"]
        assert not one["weaker"]
        assert not any(setting["cautions"] for setting in one["front"])


def test_the_best_setting_carries_what_budget_says(invoke: Invoke) -> None:
    """What a sweep says is enough without a condition, one more octet is not: budget --octets says the same."""
    (one,) = json.loads(invoke("sweep", ARCHIVE, "--flow", "alarm", "--json").stdout)["sweep"]
    most = one["most"]
    changes = len(one["front"][0]["ids"])
    done = invoke("budget", ARCHIVE, "--flow", "alarm", "--octets", str(most), "--json")
    (answer,) = json.loads(done.stdout)["carrying"]
    assert min(len(found["ids"]) for found in answer["sets"]) <= changes
    done = invoke("budget", ARCHIVE, "--flow", "alarm", "--octets", str(most + 1), "--json")
    assert json.loads(done.stdout)["carrying"][0]["sets"] == []


def test_octets_are_counted_and_answered(invoke: Invoke) -> None:
    args = ("sweep", ARCHIVE, "--flow", "alarm", "--octets")
    done = invoke(*args, "80", COLUMNS="120")
    assert done.exit_code == 0
    (one,) = json.loads(invoke(*args, "80", "--json").stdout)["sweep"]
    (found,) = sweep(load_design(ARCHIVE), "alarm")
    assert isinstance(found, Sweep)
    assert one["carrying"] == found.carrying(80) > 0
    assert (
        f"{one['carrying']} of {one['settings'] - one['refused']:,} settings carry 80"
        in done.stdout
    )
    none = invoke(*args, str(one["most"] + 1))
    assert none.exit_code == 1
    assert "0 of " in none.stdout


def test_the_list_has_what_carries_the_octets_with_the_fewest_changes_first(invoke: Invoke) -> None:
    """Against the front of the JSON, that has all rooms; the fewest changes are those that budget --octets finds."""
    args = ("sweep", ARCHIVE, "--flow", "climate", "--octets", "80")
    (one,) = json.loads(invoke(*args, "--json").stdout)["sweep"]
    rooms = [setting["room"] for setting in one["front"]]
    assert min(rooms) < 80 <= max(rooms)
    text = invoke(*args).stdout
    title = "Settings that none surpasses and that carry 80 octets, the fewest changes first"
    listed = text.partition(title)[2].partition("What must hold")[0].splitlines()
    rows = [line.split()[:3] for line in listed if line.strip()[:1].isdigit()]
    assert sorted(int(row[0]) for row in rows) == sorted(room for room in rooms if room >= 80)
    assert rows[0][2] == "none"
    answer = json.loads(invoke("budget", *args[1:], "--json").stdout)["carrying"][0]
    assert answer["room"] == int(rows[0][0])
    # what no setting carries is shown as it is without
    assert "Settings that none surpasses: " in invoke(*args[:-1], "1000").stdout


def test_settings_of_different_radios_stand_apart(invoke: Invoke) -> None:
    """They are not compared: one of few octets may be surpassed by another PHY's, and the list says whose it is."""
    args = ("sweep", ARCHIVE, "--flow", "alarm", "--axis", "phy=o-qpsk-2450,sun-fsk")
    (one,) = json.loads(invoke(*args, "--json").stdout)["sweep"]
    assert [axis["name"] for axis in one["axes"] if axis["apart"]] == ["link.phy"]
    rows: dict[str, list[int]] = {}
    phy = ""
    listed = invoke(*args).stdout.partition("Settings that none")[2].partition("What must hold")[0]
    assert "those of different ones are not compared" in " ".join(listed.split())
    for line in listed.splitlines():
        if line.startswith("  link.phy "):
            phy = line.split()[1].rstrip(",")
        elif line.strip()[:1].isdigit():
            rows.setdefault(phy, []).append(int(line.split()[0]))
    assert "link.phy=" not in listed
    for name in ("o-qpsk-2450", "sun-fsk"):
        is_other = name == "sun-fsk"
        rooms = [s["room"] for s in one["front"] if ("link.phy=sun-fsk" in s["ids"]) is is_other]
        assert sorted(rows[name]) == sorted(rooms)
    assert "not compared" not in invoke(*args[:-2]).stdout


def test_a_value_that_cannot_be_encoded_has_no_room(invoke: Invoke) -> None:
    """The one value of the archive's axes that is refused, as the sentence above them says."""
    text = invoke("sweep", ARCHIVE, "--flow", "climate").stdout
    assert "cannot carry none of the PAN IDs" in " ".join(text.split())
    (row,) = [line for line in text.splitlines() if "cannot be encoded)" in line]
    assert row.split() == ["none", "(cannot", "be", "encoded)", "-", "-"]


def test_weaker_settings_stand_apart_and_only_when_asked(invoke: Invoke) -> None:
    args = ("sweep", FOOTBRIDGE, "--flow", "features")
    assert "no advice" not in invoke(*args).stdout
    advice, apart, weaker = invoke(*args, "--weaker").stdout.partition("they are no advice")
    assert apart
    assert "level=4" not in advice
    assert "level=4" in weaker
    assert "caution:" in weaker


def test_no_headline_and_no_answer_counts_what_protects_less(invoke: Invoke) -> None:
    """A value that is asked for by its name is told, and apart: as many settings are counted as without it."""
    args = ("sweep", ARCHIVE, "--flow", "alarm", "--axis")
    now, told = (invoke(*args, f"level={levels}", "--octets", "99") for levels in ("6", "0,6"))
    assert told.exit_code == now.exit_code == 1
    assert told.stdout.splitlines()[:2] == now.stdout.splitlines()[:2]
    _, *apart = told.stdout.split("These protect less than the design; they are no advice")
    assert "link.security.level=0" in apart[0]
    assert apart[1].split()[4:6] == ["link.security.level", "0"]
    nothing = invoke(*args, "level=0")
    assert nothing.exit_code == 1
    assert "alarm, up: all settings protect less than the design\n" in nothing.stdout


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_table_has_a_row_for_each_setting(invoke: Invoke, tmp_path: Path, form: str) -> None:
    target = tmp_path / f"settings.{form}"
    values = ("level=6,7", "hops=1..2", "identifier=link", "key_id_mode=1", "pan_ids=one")
    axes = [part for one in values for part in ("--axis", one)]
    flow = () if form == "csv" else ("--flow", "climate")  # both forms are written row by row
    done = invoke("sweep", ARCHIVE, *flow, *axes, "--json", "--table", str(target))
    assert done.exit_code == 0, done.stderr
    swept = json.loads(done.stdout)["sweep"]
    rows: list[dict[str, Any]]
    if form == "csv":
        with target.open(newline="") as file:
            rows = [{k: v or None for k, v in row.items()} for row in csv.DictReader(file)]
    else:
        parquet = pytest.importorskip("pyarrow.parquet")
        rows = parquet.read_table(target).to_pylist()
    assert f"{target}: {len(rows)} rows" in done.stderr
    for one in swept:
        own = [row for row in rows if row["flow"] == one["flow"]]
        assert {row["hops"] for row in own} == {"1", "2"}
        assert {row["link.security.level"] for row in own} == {"6", "7"}
        rooms = [int(row["room"]) for row in own]
        least: dict[Any, int] = {}
        for row in own:
            key = tuple(
                value
                for name, value in row.items()
                if name not in {"hops", "room", "first", "forwarded"}
            )
            least[key] = min(int(row["room"]), least.get(key, 9999))
            hops = [int(row[name]) for name in ("first", "forwarded") if row[name] is not None]
            assert int(row["room"]) == min(hops)
            assert len(hops) == int(row["hops"])
        assert len(least) == one["settings"] - one["refused"]
        assert (min(least.values()), max(least.values())) == (one["least"], one["most"])
        assert len(rooms) == 2 * len(least)


def test_nothing_is_left_of_a_table_that_cannot_be(invoke: Invoke, tmp_path: Path) -> None:
    target = tmp_path / "settings.csv"
    target.write_text("before")
    # four rows for each of some millions of settings
    done = invoke(
        "sweep",
        FOOTBRIDGE,
        "--flow",
        "routed",
        "--weaker",
        "--axis",
        "hops=3..6",
        "--table",
        str(target),
    )
    assert done.exit_code == 2
    assert "rows, a table holds 10,000,000" in done.stderr
    assert "--axis" in done.stderr or "axes" in done.stderr
    assert target.read_text() == "before"
    assert [path.name for path in tmp_path.iterdir()] == ["settings.csv"]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["--axis", "levle=5"], "no axis 'levle'"),
        (["--axis", "level"], "is not a name and values"),
        (["--axis", "hops=9..3"], "ends before it begins"),
        (["--axis", "level=9"], "no value '9'"),
        (["--axis", "routing.form=6lorh"], "Flows that have it: routed"),
        (["--table", "settings.txt"], ".parquet or .csv"),
        (["--flow", "nope"], "It has: features"),
        (["--octets", "-1"], "0 or more"),
    ],
)
def test_requests_that_are_wrong(invoke: Invoke, args: list[str], says: str) -> None:
    done = invoke("sweep", FOOTBRIDGE, *args)
    assert done.exit_code == 2
    assert says in done.stderr
    assert done.stdout == ""


def test_what_python_gets_says_the_same(invoke: Invoke) -> None:
    (found,) = sweep(load_design(ARCHIVE), "climate", axes={"level": [6, 7]})
    done = invoke("sweep", ARCHIVE, "--flow", "climate", "--axis", "level=6,7", "--json")
    (one,) = json.loads(done.stdout)["sweep"]
    assert [setting.room for setting in found.front] == [s["room"] for s in one["front"]]
    best, axis = found.front[0], found.axes[0]
    assert isinstance(best, SweptSetting)
    assert isinstance(axis, SweptAxis)
    assert isinstance(axis.values[0], SweptValue)
    assert all(isinstance(change, SettingChange) for change in best.changes)
    assert best.ids == tuple(one["front"][0]["ids"])
    assert list(best.conditions) == one["front"][0]["conditions"]
    assert dict(best.protection) == one["front"][0]["protection"]


def test_rooms_by_hops(invoke: Invoke) -> None:
    (found,) = room_by_hops(load_design(FOOTBRIDGE), range(6, 13), "routed")
    assert isinstance(found, RoomByHops)
    assert all(isinstance(one, HopRoom) for one in found.rooms)
    args = ("budget", FOOTBRIDGE, "--flow", "routed", "--hops", "6..12")
    done = invoke(*args)
    assert done.exit_code == 1, "the headers are over before the last hop"
    assert "room up to 10 hops" in done.stdout
    (flow,) = json.loads(invoke(*args, "--json").stdout)["hops"]
    assert [one["hops"] for one in flow["rooms"]] == list(range(6, 13))
    assert [one["room"] for one in flow["rooms"]] == [one.room for one in found.rooms]
    rows = list(csv.DictReader(invoke(*args, "--csv").stdout.splitlines()))
    assert [int(row["room"]) for row in rows] == [one["room"] for one in flow["rooms"]]
    own = json.loads(invoke("budget", FOOTBRIDGE, "--flow", "routed", "--json").stdout)["budget"]
    at_own = next(one for one in flow["rooms"] if one["hops"] == flow["hops"])
    assert [at_own["first"], at_own["forwarded"]] == [one["room"] for one in own]
    assert invoke("budget", FOOTBRIDGE, "--flow", "features", "--hops", "1..12").exit_code == 0


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["--hops", "5..2"], "ends before it begins"),
        (["--hops", "0..3"], "not within 1 to 254"),
        (["--hops", "1..255"], "not within 1 to 254"),
        (["--hops", "many"], "no range of whole numbers"),
        (["--hops", "1..3", "--octets", "4"], "another thing"),
        (["--hops", "1..3", "--ledger"], "another thing"),
        (["--hops", "1..3", "--weaker"], "go with --octets"),
        (["--hops", "1..3", "--table", "ledger", "--csv"], "one of their own"),
    ],
)
def test_hops_that_are_wrong(invoke: Invoke, args: list[str], says: str) -> None:
    done = invoke("budget", FOOTBRIDGE, *args)
    assert done.exit_code == 2
    assert says in done.stderr
