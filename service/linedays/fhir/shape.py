"""What the R4 shapes are written in: one element with its type, and what every type and resource has. No I/O."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Element:
    """One element: its type, whether it is required, whether it repeats, and what it may hold.

    `codes` is a required binding, `targets` the resource types that a reference may name (empty: any). An element whose
    name ends in `[x]` is a choice: `kinds` are the types it may have (empty: any that R4 allows for such a value).
    """

    type: str
    required: bool = False
    many: bool = False
    codes: frozenset[str] = frozenset()
    targets: frozenset[str] = frozenset()
    kinds: frozenset[str] = frozenset()


def code(*codes: str, required: bool = False) -> Element:
    """Return an element that holds one of these codes."""
    return Element("code", required=required, codes=frozenset(codes))


def to(*targets: str, required: bool = False, many: bool = False) -> Element:
    """Return a reference to one of these types of resource."""
    return Element("Reference", required=required, many=many, targets=frozenset(targets))


def some(kind: str, *, required: bool = False) -> Element:
    """Return an element that repeats."""
    return Element(kind, required=required, many=True)


def one_of(*kinds: str, required: bool = False) -> Element:
    """Return a choice of types, named as they end the element's name."""
    return Element("choice", required=required, kinds=frozenset(kinds))


ELEMENT = {"id": Element("string"), "extension": some("Extension")}
BACKBONE = ELEMENT | {"modifierExtension": some("Extension")}
RESOURCE = {
    "resourceType": Element("code", required=True),
    "id": Element("id"),
    "meta": Element("Meta"),
    "implicitRules": Element("uri"),
    "language": Element("code"),
    "text": Element("Narrative"),
    "contained": some("any"),
    "extension": some("Extension"),
    "modifierExtension": some("Extension"),
}
PERSONS = ("Practitioner", "PractitionerRole", "Organization", "Patient")
