"""The data types of FHIR R4 that resources are made of, as narrow records. No I/O.

Each holds every element that the standard gives the type, so that one it does not give is noticed while decoding: what
nobody here reads is kept as the bytes it came in (`Unread`). An extension may hold anything.
"""

from typing import Annotated, TypeAlias

from msgspec import Meta as Allowed
from msgspec import Raw, Struct

Unread: TypeAlias = Raw
NOT_READ = Raw()
# A modifier extension may reverse what the element that holds it says, and one that is not understood must not be
# passed over. None is understood here, so that a resource with one does not fit and is looked at again.
# Source: FHIR R4B, BackboneElement.modifierExtension (http://hl7.org/fhir/R4B/backboneelement-definitions.html).
NoModifier: TypeAlias = Annotated[tuple[Raw, ...], Allowed(max_length=0)]
NoRules: TypeAlias = Annotated[str, Allowed(max_length=0)]


class Extension(Struct, frozen=True, gc=False, rename="camel"):
    """An extension with a time or a code."""

    url: str = ""
    value_date_time: str | None = None
    value_code: str | None = None


class Element(Struct, frozen=True, gc=False, kw_only=True, forbid_unknown_fields=True):
    """What every data type has."""

    id: Unread = NOT_READ
    extension: Unread = NOT_READ


class Backbone(Element, frozen=True, gc=False, kw_only=True, rename="camel"):
    """What every part of a resource has."""

    modifier_extension: NoModifier = ()


class Coding(Element, frozen=True, gc=False, rename="camel"):
    """A code in a code system."""

    system: str | None = None
    code: str | None = None
    display: Unread = NOT_READ
    version: Unread = NOT_READ
    user_selected: Unread = NOT_READ


class Concept(Element, frozen=True, gc=False):
    """A CodeableConcept."""

    coding: tuple[Coding, ...] = ()
    text: str | None = None


class Reference(Element, frozen=True, gc=False):
    """A Reference; only a literal one is used."""

    reference: str | None = None
    type: Unread = NOT_READ
    identifier: Unread = NOT_READ
    display: Unread = NOT_READ


class Period(Element, frozen=True, gc=False):
    """A Period."""

    start: str | None = None
    end: str | None = None


class Identifier(Element, frozen=True, gc=False):
    """A business identifier."""

    use: Unread = NOT_READ
    type: Unread = NOT_READ
    system: str | None = None
    value: str | None = None
    period: Unread = NOT_READ
    assigner: Unread = NOT_READ


class Meta(Element, frozen=True, gc=False, rename="camel"):
    """What the server says of this version."""

    version_id: str | None = None
    last_updated: str | None = None
    source: Unread = NOT_READ
    profile: Unread = NOT_READ
    security: Unread = NOT_READ
    tag: Unread = NOT_READ


class Quantity(Element, frozen=True, gc=False):
    """A measured amount."""

    value: float | None = None
    comparator: Unread = NOT_READ
    unit: str | None = None
    system: Unread = NOT_READ
    code: str | None = None
