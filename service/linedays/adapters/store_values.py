"""What goes into the writer's store, what comes out of it, and what can be wrong with it. No I/O.

    StoreProblem
      StoreUnusable      the file or folder is not as it should be; a person has to see to it
      StoreUnavailable   it could not be read or written at this moment (locked, disk full)

Nothing here identifies a patient: a holder is a process, counts are counts.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from linedays.core.moment import Instant


class StoreProblem(Exception):
    """The store did not do what was asked."""


class StoreUnusable(StoreProblem):
    """The store's folder or file is not as it should be; a person has to see to it."""


class StoreUnavailable(StoreProblem):
    """The store could not be read or written at this moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lease:
    """The right to write to one record system, until `until`; `epoch` grows by one with each taking."""

    holder: str
    epoch: int
    since: Instant
    until: Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupCount:
    """How many changes of one group (`what`: creates or closes) and kind a sweep had, and whether they were held."""

    what: str
    kind: str
    count: int
    held: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRecord:
    """One writing sweep: its moment, the policy it went by, whether it was the first, and its counts."""

    at: Instant
    policy: str
    first: bool
    counts: tuple[GroupCount, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepHistory:
    """What is known of earlier writing sweeps on a record system.

    `completed` tells whether one was ever carried through; `creates` gives, newest first, the counts of creates of
    each kind in the last sweeps that were carried through, were not the first, and held none of that kind.
    """

    completed: bool
    creates: Mapping[str, tuple[int, ...]]
