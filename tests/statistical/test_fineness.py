"""Assays of products and settlements, held to importance sampling written anew.

Of heavy products the prior of the grades says next to nothing beside a balance (a factor of two against a per cent), so
the reference draws weights about their readings and purities from the form's row, and weighs by what was said.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import norm, truncnorm

from gradeest.belief import posterior
from gradeest.belief.assembly import build_network
from gradeest.belief.density import log_density
from gradeest.belief.network import Z95, logit
from gradeest.belief.posterior import Posterior, fit
from gradeest.belief.simulate import simulate
from gradeest.records.domain import Bench, Fraction
from tests.engine_bench import batch, bench, lot, product, product_assay, settlement
from tests.statistical.forward_model import ForwardModel, Values, Weighted, expit
from tests.statistical.importance import CATALOGUE, compare

FORM, STEP = "gold-powder", 0.1
WEIGHTS = {"B1": 10.9, "B2": 12.4, "B3": 8.6}
MELTED, FINENESS = 31.38, 0.9761
OTHERS = {"Ag": 0.009, "Pd": 0.0055}


@dataclass
class Powders:
    """Draws behind weighed powders: fine metal of each (g), the form's learned part; weights under what was said."""

    world: ForwardModel
    share: dict[str, Values]
    fine: dict[str, Values]
    weight: Values


def powders(form: str = FORM, damp: str = "") -> Powders:
    world = ForwardModel(CATALOGUE, 400_000, 31)
    share = {name: world.metal_share(name, form, name == damp) for name in WEIGHTS}
    h = 1 + world.k["balance.scale_sd"] * world.normal("balance", "bench")
    handling = STEP * world.k["balance.unchecked_handling"]
    fine = {}
    for name, shown in WEIGHTS.items():
        rounded = world.rng.uniform(-STEP / 2, STEP / 2, world.draws)
        fine[name] = share[name] * (shown + rounded + handling * world.normal("reading", name)) / h
    return Powders(world, share, fine, np.ones(world.draws))


def settled(
    loss_row: str = "melt-loss", form: str = FORM, damp: str = "", melted: float = MELTED, fineness: float = FINENESS
) -> Powders:
    """What a refiner's paper says of the three together."""
    found = powders(form, damp)
    row, k = CATALOGUE.shares[loss_row], CATALOGUE.constants
    lost = expit(found.world.share_row(row, 0.0, 0.0, found.world.normal("melt")))
    told = np.log(sum(found.fine.values())) + np.log1p(-lost)
    found.weight = np.exp(-0.5 * ((math.log(melted * fineness) - told) / k["settlement.log_sd"]) ** 2)
    if (melted, form) == (MELTED, FORM):  # what it says of other metals is of what is no gold
        dross, grams = [fine / found.share[name] - fine for name, fine in found.fine.items()], {}
        for name, read in OTHERS.items():
            u = math.hypot(k["settlement.log_sd"] * read, k["product_assay.fire_u"])
            grams[name] = melted * (read + u * found.world.normal("found", name)) / (1 - lost)
        found.weight = found.weight * found.world.carried_over(dross, grams)[1]
    return found


def assayed(share: float, u: float) -> Powders:
    """One of the three assayed; never above one."""
    found = powders()
    gap = (share - found.share["B1"]) / u
    found.weight = np.exp(-0.5 * gap**2) / ndtr((1 - found.share["B1"]) / u)
    return found


def weighed(form: str = FORM, damp: str = "", **said: object) -> Bench:
    lots = [lot(f"L{name}", Fraction("a", "fingers-memory", 4.0)) for name in WEIGHTS]
    batches = [
        batch(
            name,
            "foils-peroxide",
            [(f"L{name}/a", 4.0)],
            product("au-1", name, "Au", form, grams, STEP, damp=name == damp),
        )
        for name, grams in WEIGHTS.items()
    ]
    return replace(bench(lots, batches), **said)  # type: ignore[arg-type]


@functools.cache
def fit_settled() -> Posterior:
    paper = settlement([f"{name}/au-1" for name in WEIGHTS], MELTED, Au=FINENESS, **OTHERS)
    return fit(weighed(settlements=(paper,)), CATALOGUE, seed=5)


@functools.cache
def fit_assayed(share: float, u: float) -> Posterior:
    return fit(weighed(product_assays=(product_assay("B1/au-1", share, u),)), CATALOGUE, seed=6)


def gaps(posterior: Posterior, found: Powders, form: str = FORM) -> list[str]:
    """Where the engine and the calculation disagree, to the least effective draws of the fit.

    The calculation leaves out that three lots of one kind are alike in grade: it moves what is believed of the richest
    and the poorest powder by some 0.05 of its sd towards the middle (measured by runs of 30,000 draws), no more.
    """
    exact, count = Weighted(found.weight), posterior.diagnostics.ess_min
    assert exact.ess > 1500
    rows: Mapping[str, tuple[Values, Values]] = {
        name: (np.log(grams), np.log(posterior.product_g[name, "au-1"])) for name, grams in found.fine.items()
    }
    z = (found.world.normal("form", form), posterior.form_z[:, posterior.forms.index(form)])
    return [gap for name, pair in (*rows.items(), ("form", z)) for gap in compare(name, *pair, exact, count)]


def test_a_settlement_of_three_powders() -> None:
    assert gaps(fit_settled(), settled()) == []


@pytest.mark.parametrize(
    ("form", "damp", "melted", "fineness"),
    [
        ("gold-powder-refined", "", 31.7, 0.9975),  # hardly anything is not metal: particles must not stick there
        ("gold-powder", "B2", 30.0, 0.975),  # one weighed damp: the paper says how damp
        ("gold-powder", "", 31.95, 0.998),  # as much metal as was booked
    ],
)
def test_settlements_of_nearly_pure_and_of_damp_powders(form: str, damp: str, melted: float, fineness: float) -> None:
    paper = settlement([f"{name}/au-1" for name in WEIGHTS], melted, Au=fineness)
    posterior = fit(weighed(form, damp, settlements=(paper,)), CATALOGUE, seed=5)
    assert gaps(posterior, settled(form=form, damp=damp, melted=melted, fineness=fineness), form) == []


def test_a_forgotten_melt_loss_is_found() -> None:
    """Twin: the reference loses as much as filters hold, a per cent and a half."""
    assert gaps(fit_settled(), settled("filter-share"))


def test_products_of_one_settlement_share_their_correction() -> None:
    """Only the sum is known: what one has more the others have less."""
    grams = np.stack([fit_settled().product_g[name, "au-1"] for name in WEIGHTS])
    assert (np.corrcoef(np.log(grams))[np.triu_indices(3, 1)] < -0.1).all()
    whole = grams.sum(axis=0)
    assert whole.std() / whole.mean() < 0.5 * min(row.std() / row.mean() for row in grams)


def test_an_assay_of_a_product_corrects_it_and_teaches_the_form() -> None:
    assert gaps(fit_assayed(0.93, 0.004), assayed(0.93, 0.004)) == []


def test_an_assay_close_to_one_is_cut_there() -> None:
    """What the assay adds to the density, against scipy's truncated normal; twin: a normal that is not cut.

    With an assay the unknown is the whole purity, without one what is this product's own: the same purities are meant.
    """
    plain, said = (
        build_network(one, CATALOGUE)
        for one in (weighed(), weighed(product_assays=(product_assay("B1/au-1", 0.995, 0.03),)))
    )
    theta = np.random.default_rng(4).normal(size=(50, said.size))
    row, learned = CATALOGUE.forms[FORM].purity, CATALOGUE.constants["form.learned_share"]
    whole = said.arrays["pr_middle"][0] + said.arrays["pr_step"][0] * theta[:, said.layout["purity"].start]
    form = theta[:, said.layout["form"].start]
    own = theta.copy()
    own[:, plain.layout["purity"].start] = (whole - math.sqrt(learned) * form) / math.sqrt(1 - learned)
    added = log_density(theta, said) - log_density(own, plain)
    share = expit(ForwardModel(CATALOGUE, 50, 1).share_row(row, 0.0, whole, whole))
    cut = truncnorm.logpdf(0.995, -np.inf, (1 - share) / 0.03, loc=share, scale=0.03)
    assert np.ptp(added - cut) < 1e-9
    assert np.ptp(added - norm.logpdf(0.995, share, 0.03)) > 0.1


def test_a_sharp_assay_of_an_unlikely_purity_settles_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of a purity's variance is the form's: of a purity z sd from the middle it has N(z / 2, 1 / 2) of its own sd.

    (Two normals of which the sum is known; scaled by sqrt(1/2).)
    """
    monkeypatch.setattr(posterior, "FAST_MOVES", posterior.FAST_MOVES[:1])
    share, form = 0.62, "silver-chloride"
    salt = product("ag-1", "B1", "Ag", form, 5.0)
    one = bench([lot("L", Fraction("a", "mlcc-unsorted", 0.5))], [batch("B1", "mlcc-nitric", [("L/a", 0.5)], salt)])
    one = replace(one, product_assays=(product_assay("B1/ag-1", share, 0.002, "Ag"),))
    found = fit(one, CATALOGUE, seed=4, fallback=False)
    row = CATALOGUE.forms[form]
    pure = share / row.factor
    z = (logit(pure) - logit(row.purity.q50)) / ((logit(row.purity.q50) - logit(row.purity.q5)) / Z95)
    part = found.form_z[:, found.forms.index(form)]
    error = 4 / math.sqrt(found.diagnostics.ess_min)
    assert z < -2.5
    assert part.mean() == pytest.approx(z * math.sqrt(0.5), abs=error)
    assert part.std() == pytest.approx(math.sqrt(0.5), rel=error)
    assert abs(part.mean()) > 2 * error  # twin: all of it is this product's own, and the form learns nothing


def test_simulated_papers_are_those_of_the_model() -> None:
    """ln of the metal found over that in the products: the melt loss and the spread of the row, by moments."""
    plan = weighed(
        product_assays=(product_assay("B1/au-1", 0.9, 0.004),),
        settlements=(settlement([f"{name}/au-1" for name in WEIGHTS], MELTED, Au=0.9),),
    )
    rng, off, shares = np.random.default_rng(9), [], []
    for _ in range(400):
        made, _ = simulate(plan, CATALOGUE, rng)
        (paper,), (assay,) = made.settlements, made.product_assays
        weight = sum(p.weight_g for b in made.batches.values() for p in b.products)
        off.append(math.log(paper.melted_g * paper.metals[0].fineness / weight))
        shares.append(assay.share)
    world = ForwardModel(CATALOGUE, 100_000, 2)
    k, share = CATALOGUE.constants, np.mean([world.metal_share(name, FORM) for name in WEIGHTS], axis=0)
    lost = expit(world.share_row(CATALOGUE.shares["melt-loss"], 0.0, 0.0, world.normal("melt")))
    told = np.log(share) + np.log1p(-lost) + k["settlement.log_sd"] * world.normal("paper")
    told = told - k["balance.scale_sd"] * world.normal("balance")
    assert abs(np.mean(off) - told.mean()) < 4 * told.std() / math.sqrt(len(off))
    assert max(shares) <= 1
    assert abs(np.mean(shares) - world.metal_share("B1", FORM).mean()) < 4 * np.std(shares) / math.sqrt(len(shares))
