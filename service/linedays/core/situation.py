"""What is known about one dressing site at one moment, gathered once for every item of it. No I/O."""


import msgspec

from linedays.core.anchors import SiteFact
from linedays.core.findings import Findings, classify, standing_findings
from linedays.core.model import DressingSite, Timeline
from linedays.core.moment import Instant
from linedays.core.policy import FindingClass
from linedays.core.terms import Setting
from linedays.core.watch import Watch
from linedays.core.windows import UnitDay


class Situation(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """A dressing site at a moment: `present` are its lines that are in place, `since` limits what still counts.

    `next_turn` is the next instant at which a place, a stay, a rule, or a fact that is known beforehand begins to hold.
    """

    site: DressingSite
    present: tuple[Timeline, ...]
    facts: list[SiteFact]
    findings: Findings
    since: Instant | None
    setting: Setting
    watch: Watch
    day: UnitDay
    at: Instant
    next_turn: Instant | None = None

    @property
    def line_kinds(self) -> tuple[str, ...]:
        """The kinds of the lines in place, each once."""
        return tuple(dict.fromkeys(timeline.line.kind for timeline in self.present))


def findings_of(facts: list[SiteFact], setting: Setting, day: UnitDay, since: Instant | None) -> Findings:
    """Return the findings that stand at a site, by the unit's meaning of them."""
    meanings, blood_rule = setting.book.findings, day.settings.blood_rule

    def meaning_of(finding: str, dressing: str | None) -> FindingClass:
        return classify(finding, meanings, blood_rule, dressing)

    return standing_findings(facts, meaning_of, since)
