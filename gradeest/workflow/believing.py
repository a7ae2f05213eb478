"""The belief after everything recorded: drawn from the prior before the first evidence, else fitted once and kept.

The only place that calls the belief room.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome, Run
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Bench, Fraction, Lot
from gradeest.workflow import cache
from gradeest.workflow.opening import Opened, Place

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior

PRIOR_DRAWS = 4_000
FORWARD_DRAWS = 20_000  # money is decided in the tails

Say = Callable[[str], None]


def keep_quiet(_: str) -> None:
    """Progress that nobody wants to see."""


@dataclass(frozen=True)
class State:
    """A bench at one moment: `head` is the hash of its last event."""

    bench: Bench
    head: str


def state_of(opened: Opened) -> State:
    """The bench as it is now."""
    return State(opened.bench, opened.ledger.bench_head)


def has_evidence(bench: Bench) -> bool:
    """Whether anything was measured yet; without it nothing needs fitting."""
    return bool(bench.assays) or any(b.products or b.nondetects for b in bench.batches.values())


def believe(opened: Opened, state: State | None = None, *, say: Say = keep_quiet) -> Posterior:
    """The posterior of a state (that of the ledger by default), from the cache where it is there.

    `say` is told before a long fit. Raises InferenceError for a fit that cannot be used.
    """
    from gradeest.belief import posterior as belief

    state = state or state_of(opened)
    place, catalogue = opened.place, opened.catalogue
    if not has_evidence(state.bench):
        return belief.draw_prior(state.bench, catalogue, stream(place, "prior"), PRIOR_DRAWS)
    path = place.cache / f"{cache_key(place, catalogue, state)}.npz"
    kept = cache.read(path, belief.Posterior)
    if kept is not None:
        return kept
    say("Fitting the model to what is recorded" + (", half a minute or so ..." if place.engine == "pymc" else " ..."))
    fitted = belief.fit(state.bench, catalogue, engine=place.engine, seed=place.seed)
    cache.write(path, fitted)
    return fitted


def cache_key(place: Place, catalogue: Catalogue, state: State) -> str:
    """What a fit depends on, as a file name: bench head, catalogue, settings, engine, seed, program."""
    from gradeest import __version__

    settings = sorted((s.name, s.value) for s in state.bench.settings.values())
    parts = [__version__, state.head, catalogue.version, settings, place.engine, place.seed]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]


def stream(place: Place, what: str) -> np.random.Generator:
    """A generator of its own for each use, so that one more question does not change the answers to others."""
    return np.random.default_rng([place.seed, *what.encode()])


def run_forward(opened: Opened, posterior: Posterior, runs: Sequence[Run]) -> Outcome:
    """What runs are expected to give (the same draws for the same runs, whenever it is asked)."""
    from gradeest.belief import predictive

    return predictive.run_forward(
        posterior, runs, opened.catalogue, stream(opened.place, "forward"), draws=FORWARD_DRAWS
    )


def run_pooled(opened: Opened, posterior: Posterior, runs: Sequence[Run]) -> NDArray[np.float64]:
    """Fine metal expected from one batch of several charges, g, (draw, metal)."""
    from gradeest.belief import predictive

    rng = stream(opened.place, "pooled")
    return predictive.run_pooled(posterior, runs, opened.catalogue, rng, draws=FORWARD_DRAWS)


def draw_fraction(kind: str, catalogue: Catalogue, place: Place, draws: int) -> Posterior:
    """Draws of one fraction of a kind on an empty bench."""
    from gradeest.belief import posterior as belief

    lot = Lot("any", place.today, (Fraction("any", kind, 1.0),))
    return belief.draw_prior(Bench(lots={"any": lot}), catalogue, stream(place, "kind"), draws)
