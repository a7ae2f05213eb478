"""Whether to test a fraction before deciding on it: an assay of a sample, or a trial run of a part, by size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.information import gained_by_signal, gained_elsewhere, worth_of_perfect, worth_of_signal
from gradeest.decision.summary import Interval, mcse

Array = NDArray[np.float64]
Sort = Literal["assay", "trial run"]
ASSAY_SHARES = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1)  # sizes tried, as shares of the fraction
TRIAL_SHARES = (0.05, 0.1, 0.2, 0.35, 0.5)
FEWEST = 4.0  # n / CV^2 of a sample: with fewer pieces its own spread is more than half
CLEAR = 2.0  # Monte Carlo errors: less is not told from nothing
NONE_G = 1e-9  # so little metal reads as none


@dataclass(frozen=True)
class Option:
    """One test of one size. `worth`: what its result, seen beforehand, is expected to bring by a better choice on the
    whole fraction, never more than knowing all; `cost`: material used up, a laboratory's fee, or what is lost because
    the result comes from a run of a part; money in the user's currency.
    """

    sort: Sort
    mass_kg: float
    worth: float
    worth_mcse: float
    cost: float
    net: float
    net_mcse: float


@dataclass(frozen=True)
class Tested:
    """What testing a fraction would be worth. `perfect` bounds the worth of any test."""

    address: str
    kind: str
    mass_kg: float
    now: str  # what is done without a test: process, sell, keep
    gain: Interval  # of processing it over the alternative
    perfect: float
    perfect_mcse: float
    options: tuple[Option, ...]
    best: Option | None  # the largest net worth, where it is clearly above nothing
    advice: str
    others: float | None = None  # what the best test's result brings by better choices on the other fractions
    others_mcse: float | None = None


@dataclass(frozen=True)
class Material:
    """A fraction as far as sampling it goes: kg, pieces per kg over the squared spread between pieces (n / CV^2)."""

    mass_kg: float
    pieces_per_kg: float


def assay_sd(material: Material, sample_kg: float, u: float) -> float:
    """Spread (ln) of an assay of a sample about the fraction's grade: which pieces it holds, and the laboratory.

    sd^2 = ln(1 + (1 - m/M) CV^2 / n(m)) + u^2
    """
    part = (1 - sample_kg / material.mass_kg) / max(material.pieces_per_kg * sample_kg, 1e-9)
    return math.sqrt(math.log1p(part) + u**2)


def read_assay(contained_g: Array, sd: float, noise: Array) -> Array:
    """What an assay of each metal shows, as ln of mass, (draw, metal); `noise` (draw, metal) is standard normal."""
    return np.log(np.maximum(contained_g, NONE_G)) + sd * noise


def assay_options(
    advantage: Array,
    alternative: Array,
    contained_g: Array,
    material: Material,
    *,
    u: float,
    fee: float,
    rng: np.random.Generator,
    origin: NDArray[np.int_] | None = None,
) -> list[Option]:
    """Assays of samples of each size that holds enough pieces.

    Parameters: advantage, alternative, shape (draw,), money; contained_g (draw, metal), of the metals that count; u,
    relative standard uncertainty of the laboratory; fee, of one assay with its paid hours. All sizes share their noise:
    they are compared in pairs.
    """
    payoffs = choices(advantage)
    worth_of_all = max(float(advantage.mean()), 0.0) + max(float(alternative.mean()), 0.0)
    noise = rng.standard_normal(contained_g.shape)
    found = []
    for share in ASSAY_SHARES:
        if share * material.mass_kg * material.pieces_per_kg < FEWEST:
            continue
        signal = read_assay(contained_g, assay_sd(material, share * material.mass_kg, u), noise)
        worth = worth_of_signal(payoffs, signal, origin)
        cost = share * worth_of_all + fee
        net = worth.value - cost
        found.append(Option("assay", share * material.mass_kg, worth.value, worth.mcse, cost, net, worth.mcse))
    return found


def read_on_balance(weight_g: Array, step_g: float, handling: float, rng: np.random.Generator) -> Array:
    """What a balance of step `step_g` shows of products, g: off by `handling` steps (sd) and rounded; none is half one.

    A small trial tells less than a large one by this, however like the rest its pieces are.
    """
    shown = np.round(weight_g / step_g + handling * rng.standard_normal(weight_g.shape)) * step_g
    return np.maximum(shown, step_g / 2)


def trial_option(
    mass_kg: float,
    whole: Array,
    trial: Array,
    rest: Array,
    unsold: Array,
    product_g: Array,
    origin: NDArray[np.int_] | None = None,
) -> Option:
    """A run of a part of the fraction, after which the rest is decided on.

    Parameters: whole, trial, rest, shape (draw,), advantage of processing all, the part, and what is left; unsold
    (draw,), that of the part where its product is kept and no settlement paid for; product_g (draw, metal), what is
    weighed of the part.
    After its result one goes on, stops and settles the part, or stops and keeps it. All that the part brings or spends
    is in the cost, so that the worth is of the same choice as that of knowing all.
    """
    signal = np.log(np.maximum(product_g, NONE_G))
    worth = worth_of_signal(choices(whole), signal, origin)
    after = np.stack([trial + rest, trial, unsold]).T
    usual = after[:, int(after.mean(axis=0).argmax())] - (whole if whole.mean() > 0 else 0.0)
    brought = usual + gained_by_signal(after, signal, origin)
    net = float(brought.mean())
    return Option("trial run", mass_kg, worth.value, worth.mcse, worth.value - net, net, mcse(brought, origin))


def choices(advantage: Array) -> Array:
    """Payoffs (draw, action) of processing and of not processing."""
    return np.stack([advantage, np.zeros_like(advantage)]).T  # draws of an action lie side by side


def best_option(options: Sequence[Option]) -> Option | None:
    """The option of the largest net worth; None where none is clearly above nothing."""
    best = max(options, key=lambda option: option.net, default=None)
    return best if best is not None and best.net > CLEAR * best.net_mcse else None


def read_product(recovered_g: Array, counts: Sequence[bool]) -> Array:
    """What a run's result shows, as ln of mass, (draw, metal), of the metals that count and that it brings out."""
    brought = recovered_g.max(axis=0) > 0
    return np.log(np.maximum(recovered_g[:, brought & np.array(counts)], NONE_G))


def worth_for_others(averaged: Array, at: int, signal: Array) -> tuple[float, float]:
    """What the result of run `at` brings by better choices on all other runs, with its Monte Carlo error.

    Parameters: averaged, (draw, run), advantages by `mean_by_origin`; signal, (draw, metal), of the `first_draws`.
    """
    total = gained_elsewhere(np.delete(averaged, at, axis=1), signal)
    return max(float(total.mean()), 0.0), mcse(total)


def best_of(options: Sequence[Option], sort: Sort) -> Option | None:
    """The best option of one sort, as `best_option` has it."""
    return best_option([option for option in options if option.sort == sort])


def advise(perfect: float, perfect_mcse: float, options: Sequence[Option], fee: float | None, currency: str) -> str:
    """One line: do it or do not. `fee` None: the laboratory's fee is not known, so its limit is told."""
    if perfect <= CLEAR * perfect_mcse:
        return "do not: no result would change what you do"
    assay, trial = best_of(options, "assay"), best_of(options, "trial run")
    if trial is not None:
        line = f"do it: a trial run of {size_of(trial)} first, worth {trial.net:.3g} {currency} after its cost"
        if assay is None or assay.net <= trial.net:
            return line
        if fee is None:
            less = assay.net - trial.net
            return f"{line}; better an assay of {size_of(assay)} where it costs less than {less:.3g} {currency}"
    if assay is None:
        return "do not: a result is worth less than what the test costs"
    if fee is None:
        return f"do it if assaying a sample of {size_of(assay)} costs less than {assay.net:.3g} {currency}"
    return f"do it: assay a sample of {size_of(assay)}, worth {assay.net:.3g} {currency} after its cost"


def size_of(option: Option) -> str:
    """Its size as people read it."""
    kg = option.mass_kg
    return f"{1000 * kg:.3g} g" if kg < 0.1 else f"{kg:.3g} kg"


def perfect_worth(advantage: Array, origin: NDArray[np.int_] | None = None) -> tuple[float, float]:
    """What knowing the outcome of the run would be worth, with its Monte Carlo error; bounds every test."""
    found = worth_of_perfect(choices(advantage), origin)
    return found.value, found.mcse
