"""A few examples of each state model; ``python -m trust.state_models`` runs thousands."""

import pytest
from trust.models.link_fragments import Buffer, LinkFragments, Model, gaps
from trust.state_models import MODELS, run


@pytest.mark.long
@pytest.mark.parametrize("name", MODELS)
def test_the_package_follows_the_model(name: str) -> None:
    run(MODELS[name], 15)


def test_a_model_that_says_otherwise_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without RFC 4944's reassembly timer the two disagree."""
    monkeypatch.setattr(Model, "expire", lambda *_: [])
    with pytest.raises(AssertionError):
        run(LinkFragments, 400, shrink=False)  # it ends with the first that shows it


def test_gaps_of_a_buffer() -> None:
    buffer = Buffer(0.0, {8: b"ab", 12: b"c"})
    assert gaps(buffer.there, 16) == ((0, 8), (10, 12), (13, 16))
