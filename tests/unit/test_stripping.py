"""Sets of parts to take off: equal to weighing every set and pool by hand, in sum, order and hours."""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pytest

from gradeest.belief.outcome import Outcome, Run
from gradeest.decision.economics import usual_metal_value_per_kg
from gradeest.decision.prices import Basis, NamedDraws, Prices
from gradeest.decision.stripping import Choice, Heap, Parts, Stripping
from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue
from tests.decision_cases import METALS, costs, one, prices

CATALOGUE = load_catalogue()
KINDS = ("fingers-cards", "chips-mixed", "mlcc-unsorted", "connectors", "tantalum-moulded")
RUN_KINDS = ("fingers-cards", "chips-mixed", "mlcc-unsorted")  # what may be processed
DRAWS = 200
RATE, FEE = 12.0, 30.0


def make_parts(seed: int, gold: float = 1.0) -> Parts:
    """Invented parts on whole and on begun boards, drawn at random."""
    rng = np.random.default_rng(seed)
    whole = np.full(DRAWS, 10.0)
    shares = 0.12 * rng.dirichlet(np.ones(len(KINDS)), DRAWS) + 0.01
    begun = shares * 4.0
    begun[:, 1] = 0.0  # its chips are gone
    heaps = (
        Heap("boards-cards", whole, shares * whole[:, None]),
        Heap("boards-cards", np.full(DRAWS, 3.5), begun, frozenset({"chips-mixed"})),
    )
    mass = heaps[0].on_kg + heaps[1].on_kg
    recovered = np.zeros((DRAWS, len(RUN_KINDS), 3))
    for n, kind in enumerate(RUN_KINDS):
        grade = gold * rng.lognormal(np.log((0.9, 0.5, 0.2)[n]), 0.5, DRAWS)
        recovered[:, n, 0] = grade * mass[:, KINDS.index(kind)]
    runs = tuple(
        Run(kind, float(mass[:, KINDS.index(kind)].mean()), CATALOGUE.kinds[kind].usual_route) for kind in RUN_KINDS
    )
    trace = np.zeros(recovered.shape, dtype=bool)
    outcome = Outcome(runs, METALS, recovered, recovered, recovered, trace, tuple({} for _ in runs))
    return Parts(KINDS, heaps, mass * rng.lognormal(0.0, 0.3, mass.shape), outcome)


def make_prices(**changes: object) -> Prices:
    routes = {CATALOGUE.kinds[kind].usual_route: costs(5.0, 8.0, 0.5, 1.0) for kind in RUN_KINDS}
    terms = {
        "hours_rate": RATE,
        "settlement_fee": one(FEE),
        "as_is_share": {"fingers": one(0.5), "chips": one(0.4), "pins": one(0.5)},
        "boards": {"share.whole": one(0.5), "picked_per_kg.boards-cards": one(0.7)},
    }
    return prices(routes, **(terms | changes))


def weigh(parts: Parts, found: Prices) -> Stripping:
    return Stripping(parts, Basis(found, CATALOGUE, NamedDraws(np.random.default_rng(9), DRAWS)))


def by_hand(parts: Parts, found: Prices, taken: tuple[int, ...], processed: tuple[int, ...]) -> float:
    """E[V] of one set and pool, sum by sum from the draws; rows are exact numbers here."""
    mass = parts.heaps[0].on_kg + parts.heaps[1].on_kg
    board = CATALOGUE.boards["boards-cards"]
    values = []
    for d in range(DRAWS):
        value = 0.0
        if processed:
            gold = sum(parts.outcome.recovered_g[d, RUN_KINDS.index(KINDS[k]), 0] for k in processed)
            value += 100.0 * gold - FEE
        for k in taken:
            kind = CATALOGUE.kinds[KINDS[k]]
            value -= RATE * parts.hours[d, k]
            if k in processed:
                value -= 5.0 + 8.0 * mass[d, k] + RATE * (0.5 + 1.0 * mass[d, k])
            else:
                share = found.as_is_share.get(kind.cls)
                usual = usual_metal_value_per_kg(kind, found, CATALOGUE)
                value += 0.0 if share is None else share.q50 * usual * mass[d, k]
        whole, begun = (heap.kg[d] - sum(heap.on_kg[d, k] for k in taken) for heap in parts.heaps)
        rest = 1 - sum(row.q50 for row in board.parts.values())
        ordinary = rest * usual_metal_value_per_kg(CATALOGUE.kinds["boards-stripped"], found, CATALOGUE)
        ordinary += sum(
            row.q50 * usual_metal_value_per_kg(CATALOGUE.kinds[part], found, CATALOGUE)
            for part, row in board.parts.items()
        )
        value += (0.7 if taken else 0.5 * ordinary) * whole + 0.7 * begun
        values.append(value)
    return float(np.mean(values))


@cache
def every_set(seed: int, gold: float = 1.0) -> dict[tuple[int, ...], tuple[float, tuple[int, ...]]]:
    """Best pool and E[V] of every set, by trying them all."""
    parts, found = make_parts(seed, gold), make_prices()
    allowed = [k for k, kind in enumerate(KINDS) if kind in RUN_KINDS]
    best = {}
    for size in range(len(KINDS) + 1):
        for taken in itertools.combinations(range(len(KINDS)), size):
            pools = [
                pool
                for n in range(len(taken) + 1)
                for pool in itertools.combinations([k for k in taken if k in allowed], n)
            ]
            best[taken] = max((by_hand(parts, found, taken, pool), pool) for pool in pools)
    return best


@pytest.mark.parametrize(("seed", "gold"), [(1, 4.0), (2, 1.0)])
def test_strip_order_equals_brute_force_over_subsets(seed: int, gold: float) -> None:
    sets, best = weigh(make_parts(seed, gold), make_prices()), every_set(seed, gold)
    for taken, (value, pool) in best.items():
        mine, choice = sets.of(taken)
        assert mine == pytest.approx(value, rel=1e-9, abs=1e-9)
        assert choice.processed == pool
        assert sets.draw(choice).mean() == pytest.approx(value, rel=1e-9, abs=1e-9)
    top = max(best.values())[0]
    assert sets.of(sets.best().taken)[0] == pytest.approx(top, rel=1e-12)
    hours = make_parts(seed, gold).hours.mean(axis=0)
    for most in (0.0, 0.3, 0.8, 1.5):
        fits = [value for taken, (value, _) in best.items() if hours[list(taken)].sum() <= most]
        chosen = sets.best(most)
        assert hours[list(chosen.taken)].sum() <= most
        assert sets.of(chosen.taken)[0] == pytest.approx(max(fits), rel=1e-12)


def test_one_by_one_would_have_missed_the_best_set() -> None:
    """The twin of enumerating: here each kind alone loses the boards their price, and together they gain."""
    found = make_prices(boards={"share.whole": one(0.7), "picked_per_kg.boards-cards": one(0.1)})
    sets = weigh(make_parts(1, 4.0), found)
    nothing = sets.of(())[0]
    assert all(sets.of((k,))[0] < nothing for k in range(len(KINDS)))
    assert sets.of(sets.best().taken)[0] > nothing


def test_the_order_ends_with_what_adds_least_per_hour_and_its_steps_add_up() -> None:
    parts = make_parts(1, 4.0)
    sets = weigh(parts, make_prices())
    best = sets.best()
    assert len(best.taken) >= 3
    order = list(sets.order(best.taken))
    assert sorted(order) == sorted(best.taken)
    hours, full = parts.hours.mean(axis=0), sets.of(best.taken)[0]
    added = {k: (full - sets.of([m for m in best.taken if m != k])[0]) / hours[k] for k in best.taken}
    assert order[-1] == min(added, key=lambda k: added[k])
    steps = [sets.of(order[: n + 1])[0] - sets.of(order[:n])[0] for n in range(len(order))]
    assert sum(steps) == pytest.approx(full - sets.of(())[0])


def test_a_trial_is_worth_nothing_that_cannot_change_the_choice() -> None:
    parts = make_parts(1)
    sets = weigh(parts, make_prices())
    told = parts.outcome.recovered_g.sum(axis=(1, 2))[:, None]
    noise = np.random.default_rng(3).standard_normal((DRAWS, 1))
    known, nothing = (sets.worth_of_trial(signal, None, None) for signal in (np.log(told), noise))
    assert nothing.value <= 3 * nothing.mcse + 1e-9
    assert known.value >= 0
    dear = weigh(make_parts(1, 20.0), make_prices())  # taking all off is plain
    assert dear.worth_of_trial(np.log(told), None, None).value == pytest.approx(0.0, abs=1e-9)


def test_too_many_kinds_are_refused_with_what_to_do() -> None:
    parts = make_parts(1)
    wide = Parts(tuple(f"k{n}" for n in range(13)), (), np.zeros((DRAWS, 13)), parts.outcome)
    with pytest.raises(InputError) as refused:
        weigh(wide, make_prices())
    assert "--from" in refused.value.hint


def test_the_hours_of_a_choice_are_those_of_its_parts() -> None:
    sets = weigh(make_parts(2), make_prices())
    choice = Choice((0, 1), ())
    free = weigh(make_parts(2), make_prices(hours_rate=0.0))
    paid = free.draw(choice) - sets.draw(choice)
    assert paid == pytest.approx(RATE * make_parts(2).hours[:, :2].sum(axis=1))
