"""Which part of each solid is visible, later solids displacing earlier ones: the closed forms.

Solids that cut no other are added whole and taken from what lies beneath them. Solids on one axis that cut
each other are integrated exactly along it. What remains is left to `lines`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.axial import add_axial, common_axis
from ballgauge_service.design.solids.packing import Packed
from ballgauge_service.design.solids.relations import CUT, FIRST_WITHIN, SECOND_WITHIN, relation
from ballgauge_service.design.solids.shapes import Floats, add_moments

Flags = NDArray[np.bool_]
Numbers = NDArray[np.int64]

HIDDEN = -1
ALONE = -2
"""Marks of a solid: wholly covered by a later one; cuts no other. Others carry their group's number."""


@compiled
def _relations(packed: Packed, active: Flags, found: Numbers) -> None:
    for j in range(active.shape[0]):
        for i in range(1, j):
            if active[i] and active[j]:
                found[i, j] = relation(packed, i, j)


@compiled
def _join(found: Numbers, group: Numbers) -> None:
    """Give all solids that are cut together the lowest number among them."""
    most = group.shape[0]
    changed = True
    while changed:
        changed = False
        for j in range(most):
            for i in range(1, j):
                if group[i] >= 0 and group[j] >= 0 and found[i, j] == CUT and group[i] != group[j]:
                    least = min(group[i], group[j])
                    group[i] = least
                    group[j] = least
                    changed = True


@compiled
def _mark_groups(active: Flags, found: Numbers, group: Numbers) -> None:
    """Give each solid its mark: HIDDEN, ALONE, or the number of its group."""
    most = active.shape[0]
    for k in range(most):
        hidden = k == 0 or not active[k]
        for later in range(k + 1, most):
            hidden = hidden or (active[later] and found[k, later] == FIRST_WITHIN)
        group[k] = HIDDEN if hidden else k
    _join(found, group)
    for k in range(most):
        same = 0
        for other in range(most):
            if group[other] == group[k]:
                same += 1
        if group[k] >= 0 and same == 1:
            group[k] = ALONE


@compiled
def container(found: Numbers, group: Numbers, k: int) -> int:
    """The last solid before k that contains it, is not hidden and not of its group.

    Parameters
    ----------
    found : (m, m) array, relations
    group : (m,) array
    k : int, a solid

    Returns
    -------
    int; 0, the ball, at least
    """
    for c in range(k - 1, 0, -1):
        if group[c] != HIDDEN and found[c, k] == SECOND_WITHIN and (group[k] < 0 or group[c] != group[k]):
            return c
    return 0


@compiled
def _select(group: Numbers, g: int, members: Flags) -> int:
    """Mark the solids of a group; return how many there are."""
    count = 0
    for k in range(group.shape[0]):
        members[k] = group[k] == g
        if members[k]:
            count += 1
    return count


@compiled
def _add_alone(packed: Packed, found: Numbers, group: Numbers, beneath: Numbers, out: Floats) -> None:
    scratch = np.empty(10)
    for k in range(1, group.shape[0]):
        beneath[k] = container(found, group, k)
        if group[k] == ALONE:
            add_moments(packed, k, 1.0, scratch, out[k])
            add_moments(packed, k, -1.0, scratch, out[beneath[k]])


@compiled
def _add_groups(packed: Packed, group: Numbers, beneath: Numbers, members: Flags, out: Floats) -> int:
    """Add the groups on one axis and mark their solids done; return how many solids the other groups have."""
    left = 0
    for g in range(1, group.shape[0]):
        count = _select(group, g, members)
        if count == 0:
            continue
        one, point, w = common_axis(packed.table, members)
        if not one:
            left += count
            continue
        add_axial(packed, members, beneath[g], point, w, out)
        for k in range(group.shape[0]):
            if members[k]:
                group[k] = ALONE
    return left


@compiled
def add_visible(packed: Packed, active: Flags, group: Numbers, beneath: Numbers, out: Floats) -> int:
    """Write the visible moments of each active solid.

    Parameters
    ----------
    packed : Packed, solid 0 the ball
    active : (m,) array of bool
    group : (m,) array; those left, whose group is neither on one axis nor closed otherwise, keep its
        number (>= 0)
    beneath : (m,) array, what lies beneath those left
    out : (m, 10) array, written; nothing of those left

    Returns
    -------
    int, how many solids are left
    """
    most = active.shape[0]
    members = np.empty(most, np.bool_)
    for k in range(most):
        for n in range(10):
            out[k, n] = 0.0
        group[k] = 0 if k > 0 and active[k] else HIDDEN
        beneath[k] = 0
    add_moments(packed, 0, 1.0, np.empty(10), out[0])
    if _select(group, 0, members) == 0:
        return 0
    one, point, w = common_axis(packed.table, members)
    if one:
        for k in range(most):
            group[k] = HIDDEN
        add_axial(packed, members, 0, point, w, out)
        return 0
    found = np.zeros((most, most), np.int64)
    _relations(packed, members, found)
    _mark_groups(members, found, group)
    _add_alone(packed, found, group, beneath, out)
    return _add_groups(packed, group, beneath, members, out)
