"""Stories of the vectors: frames with their times, and what a reassembler makes of them; headers of RFC 8931."""

from typing import Any

import pytest
from contract.vectors import Case, behind, env_of, framed, load, named, octets, plain, word

from lowpanbudget import Env, Reassembler

STORIES = load(key="story")
SETTINGS = ("timeout_s", "max_datagrams", "max_octets")


def check(event: Any, expected: dict[str, Any]) -> None:
    """Compare an event with the vector's: its kind, its figures, the datagram, words of its reason."""
    assert type(event).__name__ == expected["kind"]
    for name, value in expected.items():
        if name == "ipv6":
            assert event.datagram.octets.hex(" ") == bytes.fromhex(value).hex(" ")
        elif name == "reason":
            assert value in event.reason
        elif name == "missing":
            assert [list(gap) for gap in event.missing] == value
        elif name != "kind":
            assert getattr(event, name) == value, name


@pytest.mark.parametrize("story", named(STORIES))
def test_story(story: Case) -> None:
    env = env_of(story)
    reassembler = Reassembler(
        env.contexts, root=env.root, **{name: story[name] for name in SETTINGS if name in story}
    )
    for number, step in enumerate(story["step"]):
        ends = (
            step.get("link_source", env.source), step.get("link_destination", env.destination)
        )  # fmt: skip
        ends = ends[::-1] if step.get("back") else ends
        frame = framed(octets(step, "lowpan"), Env(*ends, contexts=env.contexts, root=env.root))
        events = reassembler.feed(frame, step.get("time_s", 0.0))
        expected = step.get("events", [])
        assert [type(e).__name__ for e in events] == [e["kind"] for e in expected], number
        for event, one in zip(events, expected, strict=True):
            check(event, one)
        if "held" in step:
            assert reassembler.held == step["held"]
    left = reassembler.close()
    for event, one in zip(left, story.get("left", []), strict=True):
        check(event, one)


# --- headers of recoverable fragments ---------------------------------------------------------------

HEADERS = [case for case in load("rfc8931") if "header" in case]
# the attributes of a case and the names that figures 1 and 2 have
NAMES = {"tag": "Datagram_Tag", "length": "Fragment_Size", "congestion": "E", "ack_request": "X"}


@pytest.mark.parametrize("case", named(HEADERS))
def test_recoverable_header(case: Case) -> None:
    frame = framed(octets(case, "header"), env_of(case))
    fields = case["fields"]
    there = behind(frame.spans, len(frame.octets) - len(octets(case, "header")))[:7]
    values = {word(span.name): plain(span.value) for span in there}
    for name, value in fields.items():
        if name in ("offset", "size"):
            if name == "size" or fields["sequence"] != 0:
                assert values["fragmentoffset"] == value
        elif name != "abort":
            assert values[word(NAMES.get(name, name))] == int(value), name
    if "bitmap" in fields:
        assert frame.fault is None
        assert frame.datagram is None
    elif frame.fault is None:
        assert all(getattr(frame.fragment, name) == value for name, value in fields.items())
        assert len(frame.fragment_octets) <= fields["length"]
