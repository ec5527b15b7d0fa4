"""A planned flow that stops, beside senders that are heard, or are not."""

from findings.cases_delivery import READING, taken_over
from findings.cases_further import Further
from findings.judge import Told

STOPPED_FURTHER = (
    Further(
        "flow-stopped",
        lambda: taken_over(30),
        Told(
            "risk",
            READING,
            "no message of flow readings for the last 30.0 minutes, planned are 30 s",
            (
                "59 intervals before, 30 s in the middle",
                "its sender was heard last 0.00163 s before the end",
            ),
            (471,),  # 30 times 6 frames as above, 29 times 10 with those of the third
        ),
    ),
)
