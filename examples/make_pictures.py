"""Writes features.svg: the fullest frame of the footbridge's flow features on its first hop, as the README shows it.

python examples/make_pictures.py
"""

# ruff: noqa: INP001  # a script beside the files that it writes

from pathlib import Path

from lowpanbudget import budget, load_design
from lowpanbudget.report.frame_pictures import CAUTION, frame_pictures
from lowpanbudget.report.svg.frame import frames_svg

HERE = Path(__file__).parent


def picture() -> str:
    """Return the text of the picture."""
    design = load_design(HERE / "footbridge.toml")
    first = budget(design, "features")[:1]
    return frames_svg(frame_pictures(first), design.title, CAUTION)


if __name__ == "__main__":
    (HERE / "features.svg").write_text(picture(), encoding="utf-8")
