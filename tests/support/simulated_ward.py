"""Turns a seed into a made-up ward of 30 beds: what truly happens there hour by hour, and what of it gets charted, and how.

Time goes in order of a queue. Truth (`TrueLine`, `TruePatient`) and chart (`LineChart`, `StayChart`) are kept apart: a
change may be charted late, for another time, for an impossible time, or never. How often anything happens is in `Chances`
and is common practice, no source. Writes to the given server what is charted. Everything is invented.
"""

from datetime import date, time, timedelta

from support import simulated_ward_charting as chart
from support.memory_fhir_server import MemoryFhirServer
from support.simulated_ward_charting import (
    DAY,
    HOUR,
    MINUTE,
    UNITS,
    LineChart,
    StayChart,
    Told,
    at_local,
    clock_on,
    local,
)
from support.simulated_ward_entries import WardChart
from support.simulated_ward_people import (
    BEDS,
    BEDS_IN_UNIT,
    BEDS_TO_A_NURSE,
    BEDS_WITH_LINE_AIM,
    CHANCES,
    HISTORY_DAYS,
    KINDS,
    LEAVES_WITH_PATIENT,
    MAY_COME_FROM_HOME,
    WEEK_DAYS,
    TrueLine,
    TruePatient,
)
from support.simulated_ward_rules import next_shift, shift_of


class Ward(WardChart):
    """A ward that lives until a moment (`live_until`); what is charted by then is on the server."""

    def __init__(self, seed: int, first_day: date, server: MemoryFhirServer) -> None:
        super().__init__(seed, at_local(first_day - timedelta(days=HISTORY_DAYS), time()), server)
        self.first_sweep = at_local(first_day, time(7))
        self.end = at_local(first_day + timedelta(days=WEEK_DAYS), time(7))
        self.patients: dict[str, TruePatient] = {}
        self.lines: dict[str, TrueLine] = {}
        self.beds: dict[int, TruePatient | None] = dict.fromkeys(range(BEDS))
        self.store(*chart.places())
        for bed in self.beds:
            self.at(self.now + self.minutes(10, 1500), lambda at, bed=bed: self._admit(at, bed))

    # --- patients

    def _admit(self, at: int, bed: int) -> None:
        name = self.key("made-up")
        days = min(25.0, max(0.6, self.random.lognormvariate(1.7, 0.6)))
        leaves = clock_on(at + int(days * DAY), 10) + self.minutes(0, 7 * 60)
        person = TruePatient(name, bed, StayChart(), [(UNITS[bed // BEDS_IN_UNIT], at, None)], max(leaves, at + 12 * HOUR))
        self.patients[name] = self.beds[bed] = person
        self.store(chart.patient(name, self.random.randint(1945, 2005)))
        self._chart_stay(person, "in-progress")
        if self.chance(CHANCES.line_where_few if self._has_few_lines() else CHANCES.line_where_many):
            for _ in range(1 + self.chance(CHANCES.second_line)):
                self._plan_line(at, person)
        died = self.chance(CHANCES.died)
        if not died:
            self.at(person.leaves - self.minutes(10, 90), lambda now: self._before_leaving(now, person))
        self.at(person.leaves, lambda now: self._discharge(now, person, died=died))
        if self.chance(CHANCES.transferred):
            self.at(self.random.randint(at, person.leaves), lambda now: self._transfer(now, person))
        if self.chance(CHANCES.on_leave) and person.leaves - at > 3 * DAY:
            self.at(clock_on(at + 2 * DAY, 14), lambda now: self._leave(now, person))

    def _has_few_lines(self) -> bool:
        here = [one for one in self.beds.values() if one is not None and any(line.out is None for line in one.lines)]
        return len(here) < BEDS_WITH_LINE_AIM

    def _chart_stay(self, person: TruePatient, status: str, *, died: bool = False) -> None:
        self.store(chart.stay(person.id, person.spans, status=status, died=died))

    def _before_leaving(self, at: int, person: TruePatient) -> None:
        for line in person.lines:
            if line.out is None and (line.kind not in LEAVES_WITH_PATIENT or line.kind == "implanted-port"):
                self._take_out(at, line)

    def _discharge(self, at: int, person: TruePatient, *, died: bool) -> None:
        place, begun, _ = person.spans[-1]
        person.spans[-1] = (place, begun, at)
        person.gone = True
        entered = at + self.minutes(0, 45)
        self.at(entered, lambda _: self._chart_discharge(at, person, died=died))
        self.beds[person.bed] = None
        bed = person.bed
        self.at(at + self.minutes(60, 600), lambda now: self._admit(now, bed))

    def _chart_discharge(self, at: int, person: TruePatient, *, died: bool) -> None:
        person.stay.ended, person.stay.dead = at, died
        self.events["death" if died else "discharge"] += 1
        self._chart_stay(person, "finished", died=died)

    def _transfer(self, at: int, person: TruePatient) -> None:
        other = [
            bed
            for bed, taken in self.beds.items()
            if taken is None and bed // BEDS_IN_UNIT != person.bed // BEDS_IN_UNIT
        ]
        if person.gone or person.on_leave or not other:
            return
        self.events["transfer"] += 1
        left, person.bed = person.bed, other[0]
        self.beds[left], self.beds[person.bed] = None, person
        place, begun, _ = person.spans[-1]
        person.spans[-1] = (place, begun, at)
        person.spans.append((UNITS[person.bed // BEDS_IN_UNIT], at, None))
        self._chart_stay(person, "in-progress")
        self.at(at + self.minutes(60, 600), lambda now: self._admit_if_free(now, left))

    def _admit_if_free(self, at: int, bed: int) -> None:
        if self.beds[bed] is None:
            self._admit(at, bed)

    def _leave(self, at: int, person: TruePatient) -> None:
        if person.gone:
            return
        self.events["leave"] += 1
        person.on_leave = person.stay.on_leave = True
        self._chart_stay(person, "onleave")
        self.at(at + self.minutes(240, 480), lambda _: self._come_back(person))

    def _come_back(self, person: TruePatient) -> None:
        person.on_leave = person.stay.on_leave = False
        if not person.gone:
            self._chart_stay(person, "in-progress")

    # --- lines

    def _plan_line(self, at: int, person: TruePatient) -> None:
        kind = self.random.choices(list(KINDS), [weight for weight, _ in KINDS.values()])[0]
        if kind == "implanted-port":
            self.at(at + self.minutes(60, 1200), lambda now: self._access_port(now, person))
        elif kind in MAY_COME_FROM_HOME and self.chance(0.4 if kind == "picc" else 0.9):
            self._comes_with(at, person, kind)
        else:
            # By day for what is planned; as it comes for the rest.
            when = at + self.minutes(20, 1440)
            if kind in ("picc", "midline", "dialysis-tunnelled") and not 8 <= local(when).hour < 17:
                when = clock_on(when, 9, days=1) + self.minutes(0, 360)
            self.at(when, lambda now: self._place(now, person, kind))

    def _new_line(self, at: int, person: TruePatient, kind: str, dressing: tuple[int, str]) -> TrueLine:
        key = self.key(kind)
        line = TrueLine(key, kind, person, LineChart(key, kind, person.id), at, changes=[dressing])
        line.label_dated = self.chance(CHANCES.label_is_dated)
        person.lines.append(line)
        self.lines[key] = line
        self.store(chart.device(key, kind, person.id))
        line.chart.told[f"Device/{key}"] = Told("device", at, at)
        low, high = KINDS[kind][1]
        days = self.random.uniform(low, high)
        self.at(at + int(days * DAY), lambda now: self._take_out(now, line))
        self.at(self.first_look(at), lambda now: self._shift(now, line))
        self._after_dressing(line)
        return line

    def _place(self, at: int, person: TruePatient, kind: str) -> None:
        if person.gone or person.on_leave or at > person.leaves - 3 * HOUR:
            return
        gauze = kind in ("picc", "nontunnelled-cvc") and self.chance(0.2)
        gel = kind == "nontunnelled-cvc" and self.chance(0.3)
        dressing = "gauze" if gauze else "chg-gel" if gel else "transparent"
        entered = at + self.minutes(5, 60)
        self.at(entered, lambda now: self._chart_placing(now, at, person, kind, dressing))

    def _chart_placing(self, now: int, at: int, person: TruePatient, kind: str, dressing: str) -> None:
        line = self._new_line(at, person, kind, (at, dressing))
        said = dressing if self.chance(CHANCES.kind_charted_at_placing) else None
        self.chart_procedure("insertion", line, happened=at, dressing=said)

    def _comes_with(self, at: int, person: TruePatient, kind: str) -> None:
        changed = at - self.minutes(12 * 60, 6 * 24 * 60)
        line = self._new_line(at, person, kind, (changed, "transparent"))
        if self.chance(0.5):
            self.at(at + self.minutes(30, 180), lambda _: self.chart_date("dressing-change-reported", line))

    def _access_port(self, at: int, person: TruePatient) -> None:
        if person.gone or person.on_leave or at > person.leaves - 3 * HOUR:
            return
        dressing = "gauze" if self.chance(0.15) else "transparent"
        line = self._new_line(at, person, "implanted-port", (at, dressing))
        said = dressing if self.chance(CHANCES.kind_charted_at_placing) else None
        entered = at + self.minutes(5, 60)
        self.at(entered, lambda _: self.chart_procedure("port-access", line, happened=at, dressing=said))

    def _needle_out(self, at: int, line: TrueLine) -> None:
        line.needle_in = False
        line.out = at
        self.at(at + self.minutes(0, 30), lambda _: self.chart_procedure("port-deaccess", line, happened=at))

    def _take_out(self, at: int, line: TrueLine) -> None:
        if line.out is not None or line.patient.gone:
            return
        if line.kind == "implanted-port":
            self._needle_out(at, line)
            return
        line.out = at
        if self.chance(CHANCES.removal_charted):
            delay = self.minutes(5, 60) if self.chance(0.8) else self.minutes(60, 600)
            self.at(at + delay, lambda _: self.chart_removal(line))
        else:
            self.events["removal without a word"] += 1
        if line.patient.leaves - at > DAY and self.chance(CHANCES.followed_by_another):
            kind = "peripheral-iv" if line.kind != "nontunnelled-cvc" else "picc"
            self.at(at + self.minutes(30, 240), lambda now: self._place(now, line.patient, kind))

    # --- what a nurse sees and does without being asked

    def first_look(self, at: int) -> int:
        return next_shift(at) + self.minutes(45, 240)

    def _shift(self, at: int, line: TrueLine) -> None:
        """Take one look in a shift; what happened to the dressing since the last one happens first."""
        person = line.patient
        if person.gone or (line.out is not None and self.is_charted_out(line)):
            return
        self.at(self.first_look(at), lambda now: self._shift(now, line))
        if person.on_leave:
            return
        if line.out is not None:
            if self.chance(CHANCES.found_out):
                self.find_out(at, line)
            return
        if line.loose is None and self.chance(CHANCES.disturbed_a_day / 2):
            line.loose = self.random.choice(("loose", "loose", "lifted", "soiled", "damp"))
        line.red = line.red or self.chance(CHANCES.redness_a_day / 2)
        if not self.chance(CHANCES.look_left_out):
            self._look(at, line)

    def _look(self, at: int, line: TrueLine) -> None:
        seen = line.loose if line.loose and not self.chance(CHANCES.overlooked) else "intact"
        entered = at + (self.minutes(0, 30) if self.chance(0.8) else self.minutes(30, 180))
        self.at(entered, lambda _: self.chart_look(line, seen, at))
        if line.red:
            line.red = False
            self.at(entered, lambda _: self.chart_look(line, "redness", at, of="site"))
            self.at(at + DAY, lambda now: self.chart_look(line, "none", now, of="site"))
        if seen != "intact" and self.chance(CHANCES.changed_at_once):
            # Seen and done in one go, and charted for one and the same minute.
            self.change(at, line, entered=entered)

    def find_out(self, at: int, line: TrueLine) -> None:
        """Chart a line as out that somebody took out without a word."""
        if self.is_charted_out(line):
            return
        if self.chance(0.5):
            self.chart_removal(line)
        else:
            self.observe("line-not-present", line, at, valueBoolean=True)

    # --- dressing changes

    def change(self, at: int, line: TrueLine, *, entered: int | None = None) -> str:
        """Put a dressing on and chart it, or not, or wrongly; return which."""
        before = line.changed[1]
        draw = self.random.random()
        kind = "gauze" if draw < 0.06 else "chg-gel" if before == "chg-gel" and draw < 0.8 else "transparent"
        line.changes.append((at, kind))
        line.loose, line.label_dated = None, self.chance(CHANCES.label_is_dated)
        self._after_dressing(line)
        how, happened = ("as it was", at) if entered is not None else self._charted_how(at)
        line.charted_how = how
        self.events[f"change charted: {how}" if entered is None else "change charted in the minute of its finding"] += 1
        if how == "never":
            return how
        known = entered if entered is not None else self._entered(at)
        said = kind if self.chance(CHANCES.kind_charted_at_change) else None
        key = self.key(f"{line.id}-change")
        self.at(known, lambda now: self.chart_procedure("dressing-change", line, happened=happened, dressing=said, key=key))
        if how == "wrong" and self.chance(CHANCES.wrong_corrected):
            later = known + self.minutes(8 * 60, 14 * 60)
            self.at(later, lambda now: self.chart_procedure("dressing-change", line, happened=at, dressing=said, key=key))
        return how

    def _charted_how(self, at: int) -> tuple[str, int]:
        draw = self.random.random()
        if draw < CHANCES.never_charted:
            return "never", at
        if draw < CHANCES.never_charted + CHANCES.typed_wrong:
            return "wrong", at + self.random.choice((DAY, 365 * DAY, -365 * DAY))
        if draw < CHANCES.never_charted + CHANCES.typed_wrong + CHANCES.other_time:
            return "other time", self.random.choice((at // HOUR * HOUR, at - self.minutes(20, 180)))
        return "as it was", at

    def _entered(self, at: int) -> int:
        draw = self.random.random()
        if draw < 0.7:
            return at + self.minutes(3, 40)
        end = next_shift(at)
        return max(at + 3 * MINUTE, end - self.minutes(0, 60) if draw < 0.9 else end + self.minutes(0, 25))

    def _after_dressing(self, line: TrueLine) -> None:
        """Before the first sweep nurses go by the label: most change within the last day, the rest forget it."""
        put_on, kind = line.changed
        due = put_on + (2 if kind == "gauze" else 7) * DAY
        when = due - self.minutes(0, 1200)
        if when < self.first_sweep and self.chance(CHANCES.habit_without_tasks):
            self.at(when, lambda now: self._by_habit(now, line, put_on))

    def _by_habit(self, at: int, line: TrueLine, put_on: int) -> None:
        there = line.out is None and not line.patient.gone and not line.patient.on_leave
        if there and line.changed[0] == put_on and at < self.first_sweep:
            self.change(at, line)

    def nurse_of(self, line: TrueLine, at: int) -> tuple[int, int, int]:
        """Return the nurse a line belongs to: unit, block of four beds, shift."""
        bed = line.patient.bed
        return bed // BEDS_IN_UNIT, bed % BEDS_IN_UNIT // BEDS_TO_A_NURSE, shift_of(at)
