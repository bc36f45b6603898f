"""States of two logs in one order."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from bothheads.log.order import interleave

states = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 5), st.sampled_from("abs")), unique_by=lambda s: s[0], max_size=14)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(states)
def test_both_sides_find_the_same_order(items: list[tuple[int, int, str]]) -> None:
    """a: known to one, b: to the other, s: to both; times need not rise with the order."""
    ours = [(f"u{i:02d}", str(t)) for i, t, who in items if who in "as"]
    theirs = [(f"u{i:02d}", str(t)) for i, t, who in items if who in "bs"]
    order = interleave(ours, theirs)
    assert order == interleave(theirs, ours)
    assert sorted(order) == sorted({u for u, _ in ours + theirs})
    for side in (ours, theirs):
        assert [u for u in order if u in dict(side)] == [u for u, _ in side]


def test_time_decides_between_states_that_only_one_knows() -> None:
    ours = [("s", "1"), ("b", "3"), ("d", "5")]
    assert interleave(ours, [("s", "1"), ("c", "4"), ("e", "6")]) == ["s", "b", "c", "d", "e"]
    assert interleave(ours, []) == ["s", "b", "d"] and interleave([], ours) == ["s", "b", "d"]


def test_lists_that_disagree_still_give_everything_once() -> None:
    assert sorted(interleave([("p", "1"), ("q", "2")], [("q", "2"), ("p", "1")])) == ["p", "q"]
