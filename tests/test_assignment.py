"""The truck's leads assigned as a whole: against trying everything, and laws."""

import functools
import itertools
import random
import re

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from gridground.grounding.assignment import Filling, Want, assign_kit, natural_key, objective
from gridground.job import KitLead

SIZES = ("2", "1/0", "2/0", "4/0")
FT = 0.3048


def lead(lead_id, size="2/0", length_ft=10.0, clamps=""):
    return KitLead(lead_id, size, length_ft * FT, clamps, None)


def want(size="2/0", needed_ft=8.0, parallel=1, smaller=None, ends=()):
    """Return a row; `smaller` says how many of the next smaller size carry it, None for none."""
    at = SIZES.index(size)
    cables = [(s, parallel) for s in SIZES[at:]]
    if smaller is not None and at:
        cables.append((SIZES[at - 1], smaller))
    return Want(size, parallel, needed_ft * FT, tuple(cables), ends)


def fits(one, kit_lead):
    """Clamp kinds: a lead with no word fits all, else the row must name it."""
    return not kit_lead.clamps or kit_lead.clamps in one.ends


def ways(one, left):
    """Return every filling of a row out of some leads: independent of the model, by trying."""
    cables = dict(one.cables)
    yield None
    for count in range(1, max(cables.values()) + 1):
        for leads in itertools.combinations(left, count):
            size, length_m = leads[0].size, leads[0].length_m
            alike = all((k.size, k.length_m) == (size, length_m) for k in leads)
            if not alike or size not in cables or length_m < one.needed_m - 1e-6:
                continue
            if not all(fits(one, k) for k in leads):
                continue
            whole = cables[size] == count
            part = count < cables[size] <= one.parallel  # the rest is short
            if whole or part:
                yield Filling(leads, cables[size])


def exhaustive(wants, leads):
    """Return the least objective over every assignment there is."""

    @functools.cache
    def best(at, left):
        if at == len(wants):
            return (0, 0, 0, 0, 0)
        found = []
        for filling in ways(wants[at], left):
            used = () if filling is None else filling.leads
            rest = tuple(k for k in left if k not in used)
            own = objective([wants[at]], [filling])
            found.append(tuple(map(sum, zip(own, best(at + 1, rest), strict=True))))
        return min(found)

    return best(0, tuple(leads))


def lawful(wants, leads, fillings):
    """Check that an assignment keeps every rule; return its objective."""
    used = [k.lead_id for f in fillings if f is not None for k in f.leads]
    assert len(set(used)) == len(used)
    assert set(used) <= {k.lead_id for k in leads}
    for one, filling in zip(wants, fillings, strict=True):
        if filling is None:
            continue
        cables = dict(one.cables)
        assert len({(k.size, k.length_m) for k in filling.leads}) == 1
        assert filling.parallel == cables[filling.leads[0].size]
        assert all(k.length_m >= one.needed_m - 1e-6 and fits(one, k) for k in filling.leads)
        assert filling.short >= 0
        if filling.parallel > one.parallel:
            assert filling.short == 0
    return objective(wants, fillings)


def random_case(seed):
    rng = random.Random(seed)  # noqa: S311  cases, no secrets
    clamps = ("", "", "", "small", "large")
    leads = [
        lead(
            f"T{k}",
            rng.choice(("2", "2", "1/0", "1/0", "2/0")),
            rng.choice((6, 10, 10, 10, 25)),
            rng.choice(clamps),
        )
        for k in range(rng.choice((0, 3, 5, 6, 7)))
    ]
    wants = [
        want(
            rng.choice(("2", "1/0", "1/0", "2/0")),
            rng.choice((4, 8, 9.5, 14)),
            rng.choice((1, 1, 1, 1, 2)),
            rng.choice((None, 2, 2, 3)),
            rng.choice(((), ("small",), ("small", "large"))),
        )
        for _ in range(rng.randint(1, 4))
    ]
    # more cables of a smaller size than planned, never as many
    wants = [
        Want(
            w.size, w.parallel, w.needed_m,
            tuple((s, n) for s, n in w.cables if SIZES.index(s) >= SIZES.index(w.size) or n > w.parallel),  # noqa: E501
            w.ends,
        )
        for w in wants
    ]  # fmt: skip
    return wants, leads


@pytest.mark.parametrize("block", range(10))
def test_equal_to_trying_everything(block):
    """200 cases, 20 a block: the same least objective, figure by figure."""
    for seed in range(20 * block, 20 * block + 20):
        wants, leads = random_case(seed)
        fillings = assign_kit(wants, leads, fits=fits)
        assert lawful(wants, leads, fillings) == exhaustive(wants, leads), seed


def test_the_cases_hold_what_they_are_for():
    """Of the 200 cases many have shortages, substitutions, pairs and nothing short."""
    kinds = {"short": 0, "substituted": 0, "stands in": 0, "pair": 0, "part": 0, "all filled": 0}
    for seed in range(200):
        wants, leads = random_case(seed)
        fillings = assign_kit(wants, leads, fits=fits)
        short, substituted, *_ = objective(wants, fillings)
        kinds["short"] += short > 0
        kinds["substituted"] += substituted > 0
        kinds["all filled"] += short == 0
        for one, filling in zip(wants, fillings, strict=True):
            if filling is not None:
                kinds["stands in"] += filling.parallel > one.parallel
                kinds["pair"] += len(filling.leads) == filling.parallel == one.parallel == 2
                kinds["part"] += filling.short > 0
    assert min(kinds.values()) >= 10, kinds


def test_one_more_lead_never_makes_it_worse():
    rng = random.Random(7)  # noqa: S311
    for seed in range(60):
        wants, leads = random_case(seed)
        more = [*leads, lead("extra", rng.choice(SIZES), rng.choice((5, 10, 20)))]
        one = objective(wants, assign_kit(wants, leads, fits=fits))
        two = objective(wants, assign_kit(wants, more, fits=fits))
        assert two <= one, seed


def test_the_order_of_the_kit_changes_nothing():
    for seed in range(40):
        wants, leads = random_case(seed)
        assert assign_kit(wants, leads, fits=fits) == assign_kit(wants, leads[::-1], fits=fits)


def test_plain_assignment_by_another_solver():
    """One size, single cables: scipy's linear_sum_assignment, independent of whole numbers."""
    rng = random.Random(11)  # noqa: S311
    for _ in range(30):
        leads = [lead(f"T{k}", "2/0", rng.uniform(5, 30)) for k in range(rng.randint(1, 25))]
        wants = [want("2/0", rng.uniform(4, 28)) for _ in range(rng.randint(1, 20))]
        excess = np.array(
            [[round(1000 * (k.length_m - w.needed_m)) for k in leads] for w in wants], float
        )
        unfilled = 1e7  # more than all excess together: cables without a lead count first
        cost = np.where(excess >= 0, excess, unfilled)
        cost = np.hstack([cost, np.full((len(wants), len(wants)), unfilled)])
        rows, columns = linear_sum_assignment(cost)
        costs = cost[rows, columns]
        short, _, _, found, _ = objective(wants, assign_kit(wants, leads, fits=fits))
        assert short == (costs == unfilled).sum()
        assert found == costs[costs < unfilled].sum()


def ids(fillings):
    return [None if f is None else [k.lead_id for k in f.leads] for f in fillings]


def test_as_a_whole_not_one_after_the_other():
    """The first row leaves the only long lead to the second: taking the nearest would not."""
    wants = [want(needed_ft=8), want(needed_ft=12)]
    leads = [lead("T1", length_ft=15), lead("T2", length_ft=25)]
    assert ids(assign_kit(wants, leads, fits=fits)) == [["T1"], ["T2"]]
    wants = [want("2", 8), want("2/0", 8)]
    leads = [lead("T1", "2/0", 8), lead("T2", "4/0", 20)]
    assert ids(assign_kit(wants, leads, fits=fits)) == [["T2"], ["T1"]]  # one substitution, not two


def test_filling_comes_before_size_and_size_before_length():
    for size in ("2", "2/0"):  # the planned size, then the smaller step up, however long
        leads = [lead("T1", "4/0", 8), lead("T2", size, 50)]
        assert ids(assign_kit([want("2", 8)], leads, fits=fits)) == [["T2"]]


def test_two_stand_in_for_one_only_if_alike():
    row = want("4/0", 8, smaller=2)
    alike = [lead("T1", "2/0", 10), lead("T2", "2/0", 10)]
    (filling,) = assign_kit([row], alike, fits=fits)
    assert (ids([filling]), filling.parallel, filling.short) == ([["T1", "T2"]], 2, 0)
    unlike = [lead("T1", "2/0", 10), lead("T2", "2/0", 15)]
    assert assign_kit([row], unlike, fits=fits) == [None]
    assert assign_kit([want("4/0", 8)], alike, fits=fits) == [None]


def test_a_part_of_several_cables_counts():
    (filling,) = assign_kit([want("2/0", 8, parallel=2)], [lead("T1")], fits=fits)
    assert (filling.parallel, filling.short) == (2, 1)


def test_nothing_asked_or_nothing_there():
    assert assign_kit([], [lead("T1")], fits=fits) == []
    assert assign_kit([want()], [], fits=fits) == [None]
    assert assign_kit([want(needed_ft=11)], [lead("T1")], fits=fits) == [None]


def test_numbers_in_names_count_as_numbers():
    names = ["T10", "T2", "A", "T", "2", "10", "T2b", "²", ""]
    assert sorted(names, key=natural_key) == ["", "2", "10", "A", "T", "T2", "T2b", "T10", "²"]
    assert re.fullmatch(r"\d", "²") is None  # such a sign is no digit there


def test_many_leads_of_many_lengths():
    """A large truck: 150 leads, no two alike; each row gets the one that is just long enough."""
    leads = [lead(f"T{k}", "2/0", 5 + 0.1 * k) for k in range(150)]
    wants = [want("2/0", 6 + k + 0.05) for k in range(10)]
    found = ids(assign_kit(wants, leads, fits=fits))
    assert found == [[f"T{10 * k + 11}"] for k in range(10)]
