"""What was seen at a site → the site concern that stands, or none. No I/O.

It says what was charted and when; it names no cause. It stands beside the dressing's state, whatever that is.
"""

from linedays.core.rules import finding_priority, finding_reason
from linedays.core.situation import Situation
from linedays.core.states import ItemState, Priority, State

CONCERN_ITEM = "site-assessment"


def site_concern(situation: Situation) -> ItemState | None:
    """Return the site concern of a dressing site, or None where nothing of the kind stands."""
    found = situation.findings.concern
    if not found:
        return None
    book = situation.setting.book
    return ItemState(
        item=CONCERN_ITEM,
        site=situation.site.key,
        state=State.DUE,
        priority=finding_priority(found, book.findings, Priority.URGENT),
        reason=finding_reason("site-concern", found, book.policy.limits.after_change_hint // 60),
        findings=found,
    )
