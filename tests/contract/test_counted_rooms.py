"""Rooms of ``vectors/rooms``, counted by hand from the standards' layouts: the sum stands beside each."""

from pathlib import Path
from typing import Any

import pytest
from vector_files import document

from lowpanbudget import budget, load_design

ROOMS = Path(__file__).parents[2] / "vectors" / "rooms"
FRAME = 127  # aMaxPhyPacketSize (IEEE 802.15.4-2015 table 11-1, from memory)
FILES = {path.stem: document(path) for path in sorted(ROOMS.glob("*.toml"))}
CASES = [
    pytest.param(name, case, id=f"{name}-{case['id']}")
    for name, content in FILES.items()
    for case in content["case"]
]


@pytest.fixture(scope="module")
def rooms(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[tuple[str, str], Any]]:
    folder = tmp_path_factory.mktemp("rooms")
    found = {}
    for name, content in FILES.items():
        path = folder / f"{name}.toml"
        path.write_text(content["design"], encoding="utf-8")
        found[name] = {(one.flow, one.hop): one for one in budget(load_design(path))}
    return found


@pytest.mark.parametrize(("name", "case"), CASES)
def test_the_room_is_what_the_sum_leaves(
    name: str, case: dict[str, Any], rooms: dict[str, dict[tuple[str, str], Any]]
) -> None:
    assert FRAME - sum(case["sum"].values()) == case["room"], "the case contradicts itself"
    assert rooms[name][case["flow"], case["hop"]].room == case["room"]
