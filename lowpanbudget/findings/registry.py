"""All rules, in the order of the layers they look at."""

from lowpanbudget.findings.application import APPLICATION_RULES
from lowpanbudget.findings.compression import COMPRESSION_RULES
from lowpanbudget.findings.fragments import FRAGMENT_RULES
from lowpanbudget.findings.link import LINK_RULES
from lowpanbudget.findings.network import NETWORK_RULES
from lowpanbudget.findings.plan import PLAN_RULES
from lowpanbudget.findings.protection import PROTECTION_RULES
from lowpanbudget.findings.readings import READING_RULES
from lowpanbudget.findings.rule import Rule

RULES: tuple[type[Rule], ...] = (
    *LINK_RULES,
    *PROTECTION_RULES,
    *COMPRESSION_RULES,
    *READING_RULES,
    *FRAGMENT_RULES,
    *NETWORK_RULES,
    *APPLICATION_RULES,
    *PLAN_RULES,
)
