"""The belief after everything recorded: drawn from the prior before the first evidence, else fitted once and kept.

The only place that calls the belief room. Beside the fractions on the bench every belief holds one imaginary fraction
for each of their kinds, in a lot of its own that nothing was measured of: what the next lot of that kind is like.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.evidence import gather
from gradeest.belief.outcome import Outcome, Run
from gradeest.errors import InferenceError, InputError
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Bench, Fraction, Lot
from gradeest.records.stock import belief_head
from gradeest.workflow import cache
from gradeest.workflow.contradicting import name_strains, out_of_range, refuse_clashes, refuse_impossible
from gradeest.workflow.opening import Opened, Place
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.network import Network
    from gradeest.belief.posterior import Posterior

PRIOR_DRAWS = 4_000
FORWARD_DRAWS = 20_000  # money is decided in the tails
NEXT_LOT = "~"  # no lot of the user's can be called so


@dataclass(frozen=True)
class State:
    """A bench at one moment: `head` is the hash of the last event that the belief can rest on."""

    bench: Bench
    head: str


@dataclass(frozen=True)
class Fit:
    """Draws of the unknowns (draw, unknown), the arrays of the network to decode them with, and what they are worth."""

    theta: NDArray[np.float64]
    arrays: Mapping[str, NDArray[Any]]
    diagnostics: Any  # belief.posterior.Diagnostics, which is imported late


def state_of(opened: Opened) -> State:
    """The bench as it is now."""
    return State(opened.bench, belief_head(opened.ledger.events()))


def next_address(kind: str) -> str:
    """Where a belief holds the imaginary fraction of the next lot of a kind."""
    return f"{NEXT_LOT}{kind}/next"


def with_next_lots(bench: Bench, kinds: Iterable[str]) -> Bench:
    """The bench and one kilogram of each kind, each in a lot of its own that nothing is known of."""
    lots = [Lot(f"{NEXT_LOT}{kind}", dt.date.min, (Fraction("next", kind, 1.0),)) for kind in kinds]
    return dataclasses.replace(bench, lots={**bench.lots, **{lot.name: lot for lot in lots}})


def believe(
    opened: Opened, state: State | None = None, *, also: Sequence[str] = (), report: Report = say_nothing
) -> Posterior:
    """The posterior of a state (that of the ledger by default), from the cache where it is there.

    Parameters: also, kinds whose next lot is asked for though the bench has none of them; report, told of a long fit.
    Raises InferenceError for a fit that cannot be used, InputError for an unknown engine.
    """
    from gradeest.belief.draws import ENGINES, Posterior

    if opened.place.engine not in ENGINES:
        raise InputError(f"there is no engine '{opened.place.engine}'", f"use one of: {', '.join(ENGINES)}")
    state = state or state_of(opened)
    place, catalogue = opened.place, opened.catalogue
    kinds = kinds_of(state, also)
    path = belief_path(place, catalogue, state, kinds)
    kept = cache.read(path, Posterior)
    if kept is not None:
        return kept
    from gradeest.belief import posterior as belief  # slow to import

    bench = with_next_lots(state.bench, kinds)
    if not gather(state.bench, catalogue).cells():
        return belief.draw_prior(bench, catalogue, stream(place, "prior"), PRIOR_DRAWS)
    refuse_clashes(state.bench, catalogue)
    network = belief.build_network(bench, catalogue)
    try:
        refuse_impossible(network)
        fit = sample(opened, network, report)
    except InferenceError as err:
        raise name_strains(err, state.bench, catalogue) from err
    except (np.linalg.LinAlgError, FloatingPointError) as err:
        raise name_strains(out_of_range(err), state.bench, catalogue) from err
    network = dataclasses.replace(network, arrays=fit.arrays)
    rng = stream(place, "completion")
    found = belief.posterior_of(fit.theta, network, bench, catalogue, rng, fit.diagnostics)
    cache.write(path, found)
    return found


def recall(opened: Opened) -> Posterior | None:
    """The posterior of the ledger's state if the cache holds it; None where a fit or a draw would be needed."""
    state = state_of(opened)
    path = belief_path(opened.place, opened.catalogue, state, kinds_of(state))
    if not path.exists():
        return None  # nothing slow is imported to find that out
    from gradeest.belief.draws import Posterior

    return cache.read(path, Posterior)


def kinds_of(state: State, also: Sequence[str] = ()) -> tuple[str, ...]:
    """The kinds that a belief in a state holds the next lots of."""
    return tuple(dict.fromkeys([*(f.kind for lot in state.bench.lots.values() for f in lot.fractions), *also]))


def belief_path(place: Place, catalogue: Catalogue, state: State, kinds: Sequence[str]) -> Path:
    """Where the belief of a state is kept."""
    return place.cache / f"belief-{cache_key(place, catalogue, state, kinds)}.npz"


def kept_path(opened: Opened, sort: str, state: State, more: Sequence[object]) -> Path:
    """Where something that follows from a belief and `more` is kept."""
    key = cache_key(opened.place, opened.catalogue, state, kinds_of(state))
    return opened.place.cache / f"{sort}-{digest([key, *more])}.npz"


def believe_without(opened: Opened, bench: Bench, report: Report = say_nothing) -> Posterior:
    """The posterior of another bench, such as one without some results: only its fit is kept, if it was needed.

    Raises InferenceError where the fast engine does not settle: the reference, which takes minutes, is not asked.
    """
    from gradeest.belief import posterior as belief

    catalogue, place = opened.catalogue, opened.place
    if not gather(bench, catalogue).cells():
        return belief.draw_prior(bench, catalogue, stream(place, "prior"), PRIOR_DRAWS)
    network = belief.build_network(bench, catalogue)
    try:
        refuse_impossible(network)
        fit = sample(opened, network, report, fallback=False)
    except (np.linalg.LinAlgError, FloatingPointError) as err:
        raise out_of_range(err) from err
    network = dataclasses.replace(network, arrays=fit.arrays)
    return belief.posterior_of(fit.theta, network, bench, catalogue, stream(place, "completion"), fit.diagnostics)


def sample(opened: Opened, network: Network, report: Report, *, fallback: bool = True) -> Fit:
    """The fit itself. It depends on the evidence only, so a new lot or a batch without results needs no other.

    Parameters: fallback, whether the reference is asked where the fast engine does not settle.
    """
    from gradeest.belief import posterior as belief

    place = opened.place
    path = place.cache / f"fit-{evidence_key(place, opened.catalogue, network)}.npz"
    kept = cache.read(path, Fit, belief.Diagnostics)
    if kept is not None:
        return kept
    if place.engine == "pymc":
        report(0.0, "the reference engine compiles, some minutes")
    rng = np.random.default_rng(place.seed)
    theta, diagnostics, sampled = belief.sample_network(
        network, rng, engine=place.engine, report=report, fallback=fallback
    )
    fit = Fit(theta, sampled.arrays, diagnostics)
    cache.write(path, fit)
    return fit


def cache_key(place: Place, catalogue: Catalogue, state: State, kinds: Sequence[str]) -> str:
    """What a belief depends on, as a file name: bench head, catalogue, settings, engine, seed, program."""
    settings = sorted((s.name, s.value) for s in state.bench.settings.values())
    return digest([state.head, catalogue.version, settings, kinds, *program(place)])


def evidence_key(place: Place, catalogue: Catalogue, network: Network) -> str:
    """What a fit depends on, as a file name: the arrays of the metal balance, catalogue, engine, seed, program."""
    arrays = hashlib.sha256()
    for name, array in sorted(network.arrays.items()):
        arrays.update(f"{name} {array.dtype} {array.shape}".encode() + array.tobytes())
    shape = [repr(network.layout), repr(network.axes), repr(network.fixed), network.notes]
    return digest([arrays.hexdigest(), shape, catalogue.version, *program(place)])


def program(place: Place) -> list[str | int]:
    """The part of every key that names how numbers are made."""
    from gradeest import __version__

    return [__version__, place.engine, place.seed]


def digest(parts: Sequence[object]) -> str:
    """A short name for a list of plain values."""
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]


def stream(place: Place, what: str) -> np.random.Generator:
    """A generator of its own for each use, so that one more question does not change the answers to others."""
    return np.random.default_rng([place.seed, *what.encode()])


def run_forward(
    opened: Opened, posterior: Posterior, runs: Sequence[Run], *, draws: int = FORWARD_DRAWS, closing: bool = False
) -> Outcome:
    """What runs are expected to give (the same draws for the same runs, whenever it is asked).

    `closing`: the runs share out one fraction between them.
    """
    from gradeest.belief import predictive

    rng = stream(opened.place, "forward")
    return predictive.run_forward(posterior, runs, opened.catalogue, rng, draws=draws, closing=closing)


def forward_origin(opened: Opened, posterior: Posterior) -> NDArray[np.int64]:
    """The posterior draw behind each forward draw of `run_forward`, (draw,)."""
    return np.resize(stream(opened.place, "forward").permutation(posterior.draws), FORWARD_DRAWS)


def run_pooled(
    opened: Opened, posterior: Posterior, route: str, runs: Sequence[Run], also_g: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fine metal and weight in the usual forms expected from one batch of several charges, g, (draw, metal) each.

    Parameters: also_g, metal of streams that go in too, g, (posterior draw, metal).
    """
    from gradeest.belief import predictive

    rng = stream(opened.place, "pooled")
    return predictive.run_pooled(posterior, route, runs, opened.catalogue, rng, FORWARD_DRAWS, also_g)


def draw_fraction(kind: str, catalogue: Catalogue, place: Place, draws: int) -> Posterior:
    """Draws of one fraction of a kind on an empty bench."""
    from gradeest.belief import posterior as belief

    bench = with_next_lots(Bench(), (kind,))
    return belief.draw_prior(bench, catalogue, stream(place, "kind"), draws)
