"""The same model in PyMC, sampled with NUTS (nutpie): the reference engine. All use of PyMC and ArviZ is here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt
from numpy.typing import NDArray

from gradeest.belief.density import evaluate
from gradeest.belief.network import Network
from gradeest.belief.ops import Array


class TensorOps:
    """`ops.Ops` on PyTensor vectors."""

    def part(self, x: Array, where: slice) -> Array:
        return x[where]

    def take(self, x: Array, index: Array) -> Array:
        return x[index]

    def take_sum(self, x: Array, index: Array) -> Array:
        return pt.sum(x[index], axis=-1)

    def column(self, x: Array) -> Array:
        return x[..., None]

    def concat(self, parts: Sequence[Array]) -> Array:
        return pt.concatenate([pt.as_tensor(p) for p in parts])

    def full(self, like: Array, count: int, value: float) -> Array:
        return pt.as_tensor(np.full(count, value))

    def exp(self, x: Array) -> Array:
        return pt.exp(x)

    def log(self, x: Array) -> Array:
        return pt.log(x)

    def softplus(self, x: Array) -> Array:
        return pt.softplus(x)

    def sigmoid(self, x: Array) -> Array:
        return pt.sigmoid(x)

    def log1mexp(self, x: Array) -> Array:
        return pt.switch(x > -0.6931471805599453, pt.log(-pt.expm1(x)), pt.log1p(-pt.exp(x)))

    def log_ndtr(self, x: Array) -> Array:
        # the left branch keeps its argument bounded, so that neither value nor gradient overflows where it is not taken
        root2 = 1.4142135623730951
        left = pt.minimum(x, -1.0)
        right = pt.maximum(x, -1.0)
        return pt.switch(
            x < -1.0,
            pt.log(pt.erfcx(-left / root2) / 2) - left * left / 2,
            pt.log1p(-pt.erfc(right / root2) / 2),
        )

    def logsumexp(self, x: Array) -> Array:
        return pt.logsumexp(x, axis=-1)

    def sum(self, x: Array) -> Array:
        return pt.sum(x, axis=-1)

    def minimum(self, x: Array, y: Array) -> Array:
        return pt.minimum(x, y)

    def maximum(self, x: Array, y: Array) -> Array:
        return pt.maximum(x, y)

    def where(self, condition: Array, x: Array, y: Array) -> Array:
        return pt.switch(condition, x, y)


def build_model(network: Network) -> pm.Model:
    """The bench's PyMC model: one vector theta, its density written out."""
    with pm.Model() as model:
        # constants, not pm.Data: compiling takes less than half as long
        data = {n: pt.as_tensor(a) if a.dtype.kind == "f" else a for n, a in network.arrays.items()}
        theta = pm.Flat("theta", shape=network.size, initval=np.zeros(network.size))
        pm.Potential("balance", evaluate(theta, network, data, TensorOps()).log_density)
    return model


def compile_model(network: Network) -> Any:
    """nutpie's compiled model of the network."""
    import nutpie

    return nutpie.compile_pymc_model(build_model(network))


def sample(
    network: Network,
    rng: np.random.Generator,
    *,
    draws: int,
    tune: int,
    chains: int = 4,
    compiled: Any = None,
) -> tuple[NDArray[np.float64], int]:
    """Sample the network's density with NUTS: draws (chain, draw, unknown) and the number that diverged."""
    import nutpie

    model = compile_model(network) if compiled is None else compiled
    trace = nutpie.sample(
        model, draws=draws, tune=tune, chains=chains, cores=2, progress_bar=False, seed=int(rng.integers(2**31))
    )
    diverging = int(np.asarray(trace.sample_stats["diverging"].values).sum())
    return np.asarray(trace.posterior["theta"].values), diverging


def diagnose(draws: NDArray[np.float64]) -> tuple[float, float]:
    """Largest rank-normalised split R-hat, smallest bulk ESS, of (chain, draw, quantity) (Vehtari et al. 2021)."""
    import arviz as az
    import xarray as xr

    data = xr.Dataset({"q": (("chain", "draw", "quantity"), draws)})
    r_hat, ess = az.rhat(data)["q"].values, az.ess(data, method="bulk")["q"].values
    return float(np.nanmax(r_hat)), float(np.nanmin(ess))
