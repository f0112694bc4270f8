"""Central or not: kind, charted tip, analyst's ruling. H34 is the hazard "central status wrong by kind".

Sources: NHSN Patient Safety Component Manual, ch. 4: central line definition and vessels (nhsn-cl-def, -vessels), neither
type nor site decides and once central always central (nhsn-notype, from memory), what is not one (nhsn-notcl).
"""

import pytest

from linedays.core.central import Central, CentralBasis, Ruling, centrality
from linedays.core.model import FactKind
from support.counted_ward import COUNTING, FAR, fact, line, local

YES, NO, UNKNOWN = Central.YES, Central.NO, Central.UNKNOWN
KIND, TIP, RULING = CentralBasis.KIND, CentralBasis.TIP, CentralBasis.RULING


@pytest.mark.parametrize(
    ("kind", "central"),
    [
        ("nontunnelled-cvc", YES),
        ("tunnelled-cvc", YES),
        ("picc", YES),
        ("implanted-port", YES),
        ("dialysis-nontunnelled", YES),
        ("dialysis-tunnelled", YES),
        ("pulmonary-artery", YES),
        ("introducer", YES),
        ("umbilical-venous", YES),
        ("umbilical-arterial", YES),
        ("arterial", NO),
        ("midline", NO),
        ("peripheral-iv", NO),
        ("long-peripheral", NO),
        ("intraosseous", NO),
        ("unknown", UNKNOWN),
        ("not-in-the-rules", UNKNOWN),
    ],
)
def test_kind_gives_the_default(kind, central):
    found = centrality(line("L", "2026-03-02 10:00", kind=kind), COUNTING, (), known_by=FAR)

    assert (found.central, found.basis, found.source) == (central, KIND, None)


def tip(value: str | None, when: str = "2026-03-04 10:00"):
    return fact(FactKind.TIP, when, value=value, source=f"Observation/tip-{value}")


@pytest.mark.parametrize(
    ("kind", "tips", "central", "by"),
    [
        pytest.param(
            "midline", ("subclavian-vein",), YES, TIP, id="H34 midline with its tip in a great vessel is central"
        ),
        pytest.param(
            "peripheral-iv", ("axillary-vein",), NO, KIND, id="H34 tip short of a great vessel changes nothing"
        ),
        pytest.param("picc", ("axillary-vein",), YES, KIND, id="H34 a tip takes no central line out"),
        pytest.param(
            "midline", ("subclavian-vein", "axillary-vein"), YES, TIP, id="H34 once central, central until out"
        ),
        pytest.param("unknown", ("superior-vena-cava",), YES, TIP, id="H34 unknown kind with a central tip"),
        pytest.param(
            "unknown", ("axillary-vein",), UNKNOWN, KIND, id="H34 unknown kind with a tip elsewhere stays unknown"
        ),
        pytest.param("midline", (None,), NO, KIND, id="H34 a tip in words only says nothing"),
        pytest.param("midline", ("not-in-the-rules",), NO, KIND, id="H34 a tip code nobody mapped says nothing"),
        pytest.param(
            "arterial", ("aorta",), YES, TIP, id="H34 arterial catheter in the aorta (nhsn-notcl, from memory)"
        ),
    ],
)
def test_charted_tip_can_make_a_line_central_and_never_takes_one_out(kind, tips, central, by):
    timeline = line("L", "2026-03-02 10:00", kind=kind, facts=tuple(tip(value) for value in tips))

    found = centrality(timeline, COUNTING, (), known_by=FAR)

    assert (found.central, found.basis) == (central, by)
    assert (found.source == "Observation/tip-" + str(tips[0])) is (by is TIP)


def ruling(central: bool, ruled: str, line: str = "L") -> Ruling:
    return Ruling(line=line, central=central, ruled=local(ruled), source=f"ruling of {ruled}")


@pytest.mark.parametrize(
    ("kind", "rulings", "known_by", "central", "by"),
    [
        pytest.param(
            "picc", (ruling(False, "2026-03-05 09:00"),), "2026-03-05 09:00", NO, RULING, id="H34 takes one out"
        ),
        pytest.param(
            "picc", (ruling(False, "2026-03-05 09:00"),), "2026-03-05 08:59:59", YES, KIND, id="H34 not yet known"
        ),
        pytest.param(
            "midline", (ruling(True, "2026-03-05 09:00"),), "2026-03-06 09:00", YES, RULING, id="H34 takes one in"
        ),
        pytest.param(
            "picc",
            (ruling(False, "2026-03-05 09:00"), ruling(True, "2026-03-06 09:00")),
            "2026-03-07 09:00",
            YES,
            RULING,
            id="H34 the latest leads",
        ),
        pytest.param(
            "picc",
            (ruling(False, "2026-03-05 09:00", "other"),),
            "2026-03-07 09:00",
            YES,
            KIND,
            id="H34 a ruling on another line",
        ),
    ],
)
def test_analysts_ruling_leads_from_when_it_is_known(kind, rulings, known_by, central, by):
    timeline = line("L", "2026-03-02 10:00", kind=kind, facts=(tip("superior-vena-cava"),) if kind == "picc" else ())

    found = centrality(timeline, COUNTING, rulings, known_by=local(known_by))

    assert (found.central, found.basis) == (central, by)
