"""What reconcile is told of a dressing site: under which names something may have been written for it."""

from linedays.core.states import State
from linedays.fhir.outputs import site_wanted
from support.task_board import NOON, SHIFTS, item, line, site
from support.values import replace


def test_what_was_written_under_another_name_of_a_line_is_adopted():
    # Common practice, no source: an edit of a Device record moves when it was stored, and with it which resource of
    # the line is the one known first, where only the newest version can be read (hazard H05).
    state = site(item(State.OVERDUE), NOON)
    timeline = state.site.timelines[0]
    named = replace(timeline, line=replace(line(), aliases=("Procedure/insertion-9",)))
    state = replace(state, site=replace(state.site, timelines=(named,)))

    wanted = site_wanted(state, (), shifts=SHIFTS)

    assert wanted.lines[0] == state.site.key
    assert "Procedure/insertion-9" in wanted.lines
    assert len(set(wanted.lines)) == len(wanted.lines)
