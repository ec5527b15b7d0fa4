"""A small share of ``trust.second_decoder``: the package and the second reader agree on random payloads, both ways."""

import pytest
from second.payload import Around
from trust.second_decoder import RUNS, Tried, tried_of


@pytest.mark.parametrize("name", RUNS)
def test_both_readers_agree(name: str) -> None:
    tried = tried_of(name, 25, seed=0)
    assert tried.differ == []
    assert tried.equal >= 5


def test_what_differs_is_told_with_its_octets() -> None:
    tried = Tried()
    tried.count(b"\1", b"\2", [b"\x7a\x33"], Around(root=bytes(16)))
    tried.count(None, None, [], Around())
    tried.count(b"\1", b"\1", [], Around())
    assert (tried.equal, tried.refused, tried.tried) == (1, 1, 3)
    assert "7a33" in tried.differ[0]
    assert "root" in tried.differ[0]
