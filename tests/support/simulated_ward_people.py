"""What is true of a made-up ward, apart from what is charted: lines, patients, and how often anything happens. No I/O.

Every figure here is common practice, no source; everyone in it is invented.
"""

from dataclasses import dataclass, field

from support.simulated_ward_charting import LineChart, StayChart

BEDS, BEDS_IN_UNIT, BEDS_TO_A_NURSE = 30, 15, 4
# Admissions bring a line more often while fewer beds than this have one, so that 60 to 70 % of the beds do.
BEDS_WITH_LINE_AIM = 20
HISTORY_DAYS = 9
WEEK_DAYS = 7


@dataclass(frozen=True, slots=True)
class Chances:
    """How often what happens. Source of every figure: common practice, no source."""

    line_where_few: float = 0.95
    line_where_many: float = 0.45
    second_line: float = 0.10
    followed_by_another: float = 0.60
    label_is_dated: float = 0.75
    kind_charted_at_placing: float = 0.80
    kind_charted_at_change: float = 0.92
    disturbed_a_day: float = 0.06
    redness_a_day: float = 0.01
    look_left_out: float = 0.07
    overlooked: float = 0.20
    changed_at_once: float = 0.40
    never_charted: float = 0.05
    typed_wrong: float = 0.03
    other_time: float = 0.10
    wrong_corrected: float = 0.50
    removal_charted: float = 0.85
    found_out: float = 0.50
    died: float = 0.02
    transferred: float = 0.15
    on_leave: float = 0.06
    habit_without_tasks: float = 0.90


CHANCES = Chances()
# Of ten lines: what kind they are, and for how many days they are in.
KINDS = {
    "picc": (26, (6, 40)),
    "nontunnelled-cvc": (20, (3, 10)),
    "midline": (12, (5, 14)),
    "peripheral-iv": (20, (1, 4)),
    "arterial": (8, (2, 6)),
    "implanted-port": (8, (5, 60)),
    "dialysis-tunnelled": (6, (30, 90)),
}
MAY_COME_FROM_HOME = ("picc", "dialysis-tunnelled")
LEAVES_WITH_PATIENT = ("picc", "dialysis-tunnelled", "midline", "implanted-port")


@dataclass(slots=True)
class TrueLine:
    """A line as it truly is: `changes` are the times a dressing went on, with its kind."""

    id: str
    kind: str
    patient: "TruePatient"
    chart: LineChart
    placed: int
    out: int | None = None
    changes: list[tuple[int, str]] = field(default_factory=list)
    loose: str | None = None
    red: bool = False
    needle_in: bool = True
    label_dated: bool = True
    charted_how: str = "as it was"

    @property
    def changed(self) -> tuple[int, str]:
        return self.changes[-1]


@dataclass(slots=True)
class TruePatient:
    id: str
    bed: int
    stay: StayChart
    spans: list[tuple[str, int, int | None]]
    leaves: int
    lines: list[TrueLine] = field(default_factory=list)
    on_leave: bool = False
    gone: bool = False
