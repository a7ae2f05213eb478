"""Ash of filters linked to the batches whose filters were burnt, by importance sampling of the model drawn forward.

Reference: `forward_model`, the model's statement in plain numpy; no line of the engine's density. Readings are coarse,
so that enough of the draws run forward fit them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from scipy.special import ndtr

from gradeest.belief.ashes import ratio_mixture
from gradeest.belief.network import logit_normal
from gradeest.belief.posterior import Posterior, fit
from gradeest.belief.simulate import simulate
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import METALS, AshLink, Bench, Charge, Fraction
from tests.engine_bench import batch, bench, lot, product, with_constants
from tests.statistical.forward_model import ForwardModel, Values, Weighted, expit, logit
from tests.statistical.importance import CATALOGUE, compare

DRAWS = 200_000
FINGERS, ASH, FOILS, LEACH = "fingers-mixed", "ash-filters", "foils-peroxide", "ash-leach"
PLACES = ("equipment", "residue", "solution", "filters", "lost")
MUCH = 1e9  # g: no hold-up
RUNS = ("B1", "B2", "B3")


@dataclass
class World:
    """What lies behind three batches of fingers and the ash of their filters, and the weight of every draw."""

    gold: dict[str, Values]  # that went in, by batch
    recovery: dict[str, Values]
    filters: Values
    ash: Values
    weight: Values


def ash_bench(grams: float, weighed: float, step: float, burning: str, kg: float) -> Bench:
    """Three batches of a kilogram each, and the ash of their filters run by itself."""
    lots = [lot(f"L{n}", Fraction("a", FINGERS, kg)) for n in (1, 2, 3)] + [lot("sweep", Fraction("ash", ASH, 0.4))]
    batches = [
        batch(name, FOILS, [(f"L{n}/a", kg)], product("au-1", name, "Au", "gold-powder", weighed, step))
        for n, name in enumerate(RUNS, start=1)
    ]
    powder = product("au-1", "B4", "Au", "gold-powder", grams, step / 4)
    last = replace(batch("B4", LEACH, [], powder), charges=(Charge("sweep/ash", 0.4, (), AshLink(RUNS, burning)),))
    return bench(lots, [*batches, last])


def draw(catalogue: Catalogue, grams: float, weighed: float, step: float, burning: str, kg: float, seed: int) -> World:
    """The same forwards."""
    world = ForwardModel(catalogue, DRAWS, seed)
    gold, recovery, weight = {}, {}, np.ones(DRAWS)
    filters = np.zeros(DRAWS)
    for n, name in enumerate(RUNS, start=1):
        gold[name] = kg * world.grade(f"L{n}", FINGERS, "Au") / 1000
        recovery[name] = world.recover(name, FOILS, "Au", np.full(DRAWS, MUCH), 0.5) / MUCH
        given = world.recover(name, FOILS, "Au", gold[name], 0.5) / world.metal_share(name, "gold-powder")
        weight = weight * world.chance_of_reading(given, weighed, step)
        k = catalogue.constants
        ln_parts = [np.log(k[f"rest.{to}"]) + k["rest.log_sd"] * world.normal("rest", name, to) for to in PLACES]
        parts = np.exp(ln_parts)
        filters = filters + gold[name] * (1 - recovery[name]) * parts[PLACES.index("filters")] / parts.sum(axis=0)
    keep = expit(world.share_row(catalogue.shares[f"keep:{burning}"], 0.0, 0.0, world.normal("keep")))
    elsewhere = expit(world.share_row(catalogue.shares["untracked"], 0.0, 0.0, world.normal("untracked")))
    ash = keep * filters / (1 - elsewhere)
    given = world.recover("B4", LEACH, "Au", ash, 0.5) / world.metal_share("B4", "gold-powder")
    return World(gold, recovery, filters, ash, weight * world.chance_of_reading(given, grams, step / 4))


@cache
def three_batches() -> tuple[Posterior, World]:
    case = (0.4, 2.0, 0.4, "furnace", 1.0)
    return fit(ash_bench(*case), CATALOGUE, seed=6), draw(CATALOGUE, *case, 41)


def gaps(posterior: Posterior, world: World) -> list[str]:
    """What engine and importance sampling disagree on."""
    exact, count = Weighted(world.weight), posterior.diagnostics.ess_min
    assert exact.ess > 1500
    au, found = METALS.index("Au"), []
    for n, name in enumerate(RUNS, start=1):
        grade = posterior.grade_g_per_t[:, posterior.fractions.index(f"L{n}/a"), au]
        found += compare(f"L{n}/a", np.log(world.gold[name] * 1000), np.log(grade), exact, count)
        q = posterior.shares[name, "Au", "recovery"]
        theirs = np.log(world.recovery[name]) - np.log1p(-world.recovery[name])
        found += compare(f"recovery of {name}", theirs, q, exact, count)
    ash = posterior.grade_g_per_t[:, posterior.fractions.index("sweep/ash"), au] * 0.4 / 1000
    return found + compare("ash", np.log(world.ash), np.log(ash), exact, count)


def test_ash_corrects_the_batches_whose_filters_it_is_of() -> None:
    assert gaps(*three_batches()) == []


# -- five batches ------------------------------------------------------------------------------------------------------

FIVE = tuple(f"B{n}" for n in range(1, 6))
WEIGHED = 11.1  # g, of each of them


def exact_catalogue() -> Catalogue:
    """No hold-up, so that metal follows from a weight and its purity; a route that is known well."""
    base = with_constants(CATALOGUE, holdup__a=1e-9)
    route = base.routes[FOILS]
    row = replace(route.recovery["Au"], q5=0.9, q50=0.93, q95=0.95)
    return replace(base, routes={**base.routes, FOILS: replace(route, recovery={**route.recovery, "Au": row})})


EXACT = exact_catalogue()


def five_batches(ash_g: float, burning: str, *, linked: bool = True) -> Bench:
    """Five lots weighed to a hundredth, and the ash of all their filters, which gave `ash_g` of powder."""
    lots = [lot(f"L{n}", Fraction("a", FINGERS, 4.0)) for n in range(1, 6)] + [lot("sweep", Fraction("ash", ASH, 0.4))]
    batches = [
        batch(name, FOILS, [(f"L{n}/a", 4.0)], product("au-1", name, "Au", "gold-powder", WEIGHED))
        for n, name in enumerate(FIVE, start=1)
    ]
    if not linked:
        return bench(lots, batches)
    link = AshLink(FIVE, burning)
    last = batch("B6", LEACH, [], product("au-1", "B6", "Au", "gold-powder", ash_g, 0.0001))
    return bench(lots, [*batches, replace(last, charges=(Charge("sweep/ash", 0.4, (), link),))])


@cache
def believed(ash_g: float, burning: str, linked: bool = True) -> tuple[Posterior, Values, Values, Values]:
    """The fit; from it the filters' metal, the logits of recovery (batch, draw), and the metal in the ash, g."""
    posterior = fit(five_batches(ash_g, burning, linked=linked), EXACT, seed=7, fallback=False)
    k, rng, filters, q = EXACT.constants, np.random.default_rng(8), np.zeros(posterior.draws), []
    for n, name in enumerate(FIVE, start=1):
        q.append(posterior.shares[name, "Au", "recovery"])
        z = [posterior.shares.get((name, "Au", f"rest {to}"), rng.normal(size=posterior.draws)) for to in PLACES]
        parts = np.exp([np.log(k[f"rest.{to}"]) + k["rest.log_sd"] * each for to, each in zip(PLACES, z, strict=True)])
        left = posterior.charge_g[name, f"L{n}/a", "Au"] * expit(-q[-1])
        filters = filters + left * parts[PLACES.index("filters")] / parts.sum(axis=0)
    ash = posterior.grade_g_per_t[:, posterior.fractions.index("sweep/ash"), METALS.index("Au")] * 0.4 / 1000
    return posterior, filters, np.array(q), ash


def mistaken(wrong: str) -> Catalogue:
    """A catalogue that is mistaken: burning is forgotten, or the prior of the untracked share is there
    twice (its square is a normal of a root of two narrower)."""
    shares = dict(EXACT.shares)
    if wrong == "burning forgotten":
        shares["keep:open-flame"] = replace(shares["keep:open-flame"], q5=0.85, q50=0.97, q95=0.99)
    if wrong == "untracked twice":
        row = shares["untracked"]
        q5 = expit(np.array(logit(row.q50) - (logit(row.q50) - logit(row.q5)) / np.sqrt(2)))
        shares["untracked"] = replace(row, q5=float(q5))
    return replace(EXACT, shares=shares)


@cache
def by_hand(ash_g: float, burning: str, wrong: str = "") -> tuple[Values, Values, Values, Weighted]:
    """The same by importance sampling: recoveries drawn forward, grades read off the weights and judged by their prior.

    Parameters: burning, "": before there was any ash. Returns filters, logits of recovery (batch, draw), metal in the
    ash, weights.
    """
    draws, names = 400_000, range(5)
    world, k = ForwardModel(EXACT, draws, 43), EXACT.constants
    scale = 1 + k["balance.scale_sd"] * world.normal("balance")
    row = EXACT.kinds[FINGERS].grades["Au"]
    mu, tau = world.level(FINGERS, "Au"), world.spread(FINGERS, "Au")
    ln_weight, filters, logits = np.zeros(draws), np.zeros(draws), []
    for n in names:
        recovery = world.recover(FIVE[n], FOILS, "Au", np.full(draws, MUCH), 0.5) / MUCH
        metal = WEIGHED * world.metal_share(FIVE[n], "gold-powder") / scale
        grade = np.minimum(metal / recovery / 4.0 * 1000 / row.max_g_per_t, 1 - 1e-9)  # more: judged as impossible
        ln_weight += -0.5 * ((np.log(grade) - np.log1p(-grade) - mu) / tau) ** 2 - np.log(tau) - np.log1p(-grade)
        parts = [k[f"rest.{to}"] * np.exp(k["rest.log_sd"] * world.normal("rest", n, to)) for to in PLACES]
        filters += metal * (1 - recovery) / recovery * parts[PLACES.index("filters")] / np.sum(parts, axis=0)
        logits.append(np.log(recovery) - np.log1p(-recovery))
    if not burning:
        return filters, np.array(logits), np.zeros(draws), Weighted(np.exp(ln_weight - ln_weight.max()))
    ash = ash_g * world.metal_share("B6", "gold-powder") / scale
    ash = ash / (world.recover("B6", LEACH, "Au", np.full(draws, MUCH), 0.5) / MUCH)
    elsewhere = expit(world.share_row(mistaken(wrong).shares["untracked"], 0.0, 0.0, world.normal("untracked")))
    kept = ash * (1 - elsewhere) / filters  # keep: read off the rest, and judged by its row
    keep = mistaken(wrong).shares[f"keep:{burning}"]
    inside = np.clip(kept, 1e-9, 1 - 1e-9)
    spread = (logit(keep.q50) - logit(keep.q5)) / 1.6448536269514722
    gap = (np.log(inside) - np.log1p(-inside) - logit(keep.q50)) / spread
    ln_weight += -0.5 * gap**2 - np.log1p(-inside)
    weight = np.where((kept > 0) & (kept < 1), np.exp(ln_weight - ln_weight.max()), 0.0)
    return filters, np.array(logits), ash, Weighted(weight)


def unlike(ash_g: float, wrong: str = "") -> list[str]:
    """What the engine and the calculation by hand disagree on, after burning in an open flame."""
    posterior, filters, q, ash = believed(ash_g, "open-flame")
    theirs, logits, in_ash, exact = by_hand(ash_g, "open-flame", wrong)
    assert exact.ess > (200 if wrong else 1000)
    count = posterior.diagnostics.ess_min
    found = compare("filters", np.log(theirs), np.log(filters), exact, count)
    found += compare("ash", np.log(in_ash), np.log(ash), exact, count)
    for n, name in enumerate(FIVE):
        found += compare(f"recovery of {name}", logits[n], q[n], exact, count)
    return found


def points(x: Values) -> list[float]:
    return [float(q) for q in np.quantile(x, (0.05, 0.5, 0.95))]


def test_ash_richer_than_the_filters_were_thought_is_believed() -> None:
    """2.0 g where the filters' share said 0.47/0.83/1.52 g: it moves from 0.89 to about 1.67 g (common practice).

    Of the filters' low end the model's form makes 0.424 g, not 0.47: a million draws by hand give 0.424/0.816/1.489 g,
    mean 0.877 (0.001). Logits of recovery are normal in it and the weights of five places lognormal, so their product
    is skewed less than 0.47/0.83/1.52 is. So the ends are held to what is drawn by hand.
    """
    before, (by_rows, _, _, exact) = believed(0.0, "", False)[1], by_hand(0.0, "")
    assert exact.ess > 10_000
    assert compare("filters", np.log(by_rows), np.log(before), exact, len(before) / 2) == []
    assert points(before)[1:] == pytest.approx([0.83, 1.52], rel=0.08)
    assert before.mean() == pytest.approx(0.89, rel=0.03)
    _, filters, _, ash = believed(1.79, "open-flame")
    assert np.median(ash) == pytest.approx(2.0, abs=0.05)
    assert ash.std() == pytest.approx(0.15, abs=0.03)
    assert filters.mean() == pytest.approx(1.67, rel=0.06)
    assert unlike(1.79) == []


def test_poor_ash_after_an_open_flame_does_not_halve_the_losses() -> None:
    lost = [sum(np.exp(-q).mean() for q in believed(*case)[2]) for case in ((0.0, "", False), (0.264, "open-flame"))]
    assert 0.5 < lost[1] / lost[0] < 0.95
    assert unlike(0.264) == []


@pytest.mark.parametrize("wrong", ["burning forgotten", "untracked twice"])
def test_a_mistake_about_ash_is_found(wrong: str) -> None:
    """Twins."""
    assert unlike(0.264 if wrong == "burning forgotten" else 1.79, wrong) != []


@pytest.mark.parametrize("burning", ["open-flame", "furnace", "leach"])
def test_what_ash_holds_against_the_filters_is_as_its_two_rows_say(burning: str) -> None:
    """The mixture that stands for ln keep - ln(1 - u), against draws of the two: area between distributions."""
    rng, draws = np.random.default_rng(9), 100_000
    keep, more = logit_normal(CATALOGUE.shares[f"keep:{burning}"]), logit_normal(CATALOGUE.shares["untracked"])
    ln_keep, ln_more = (
        np.log(expit(keep[0] + keep[1] * rng.normal(size=draws))),
        more[0] + more[1] * rng.normal(size=draws),
    )
    ratio = np.sort(ln_keep + np.logaddexp(0, ln_more))
    weight, mean, sd = (np.array(part) for part in ratio_mixture(*keep, *more))
    below = ndtr((ratio[:, None] - mean) / sd) @ weight
    gap = np.abs(below - (np.arange(draws) + 0.5) / draws).max()
    assert gap < 0.008 + 1.63 / np.sqrt(draws)  # the second: Kolmogorov's 1 % point
    shifted = ndtr((ratio[:, None] - mean - 0.05) / sd) @ weight  # twin
    assert np.abs(shifted - (np.arange(draws) + 0.5) / draws).max() > 0.03


def test_ash_of_a_bench_made_from_the_prior_holds_what_its_filters_do() -> None:
    """Against the calculation by hand, not weighted by what was weighed: medians of the powder that the ash gives."""
    plan = five_batches(1.0, "furnace")
    made = [simulate(plan, EXACT, np.random.default_rng(seed)) for seed in range(150)]
    seen = np.log([bench.batches["B6"].products[0].weight_g for bench, _ in made])
    true = np.log([truth.grade_g_per_t["sweep/ash", "Au"] * 0.4 / 1000 for _, truth in made])
    assert np.median(true - seen) == pytest.approx(np.log(1 / 0.88), abs=0.06)  # recovery and purity of a powder
    weighed = np.log([sum(bench.batches[name].products[0].weight_g for name in FIVE) for bench, _ in made])
    expected = np.log(0.83 / (5 * WEIGHED) * 0.92 / 0.9)  # filters by weights, keep and u
    assert np.median(true - weighed) == pytest.approx(expected, abs=4 * 1.2533 * np.std(true - weighed) / np.sqrt(150))
