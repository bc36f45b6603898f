"""One order for the states of two logs of the same drum."""

from __future__ import annotations

from collections.abc import Sequence

Item = tuple[str, str]  # (uuid, made_at)


def interleave(ours: Sequence[Item], theirs: Sequence[Item]) -> list[str]:
    """UUIDs of both lists in time, each list keeping its own order; what is in both comes once.

    States that both know hold the two lists together: what came between two of them stays between them.
    ``interleave(a, b) == interleave(b, a)`` as long as the lists agree on the order of what they share.
    """
    shared = {uuid for uuid, _ in ours} & {uuid for uuid, _ in theirs}
    out: list[str] = []
    i = j = 0
    while i < len(ours) or j < len(theirs):
        if i < len(ours) and ours[i][0] in shared and j < len(theirs) and ours[i][0] == theirs[j][0]:
            out.append(ours[i][0])
            i, j = i + 1, j + 1
        elif _ours_first(ours, i, theirs, j, shared):
            out.append(ours[i][0])
            i += 1
        else:
            out.append(theirs[j][0])
            j += 1
    return list(dict.fromkeys(out))


def _ours_first(ours: Sequence[Item], i: int, theirs: Sequence[Item], j: int, shared: set[str]) -> bool:
    if j >= len(theirs):
        return True
    if i >= len(ours):
        return False
    if (ours[i][0] in shared) != (theirs[j][0] in shared):
        return ours[i][0] not in shared  # what stands before a shared state goes before it
    return (ours[i][1], ours[i][0]) <= (theirs[j][1], theirs[j][0])
