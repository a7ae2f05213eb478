"""The three evaluations of the density agree, value and gradient, on a bench that holds every kind of evidence."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from gradeest.belief.assembly import build_network
from gradeest.belief.density import log_density
from gradeest.belief.machine import Machine
from gradeest.belief.network import Network
from gradeest.belief.program import record
from gradeest.belief.recorder import EXP, SOFTPLUS
from gradeest.materials.catalogue import load_catalogue
from tests.engine_bench import every_evidence

Values = NDArray[np.float64]
POINTS = 200


@pytest.fixture(scope="module")
def network() -> Network:
    return build_network(every_evidence(), load_catalogue())


@pytest.fixture(scope="module")
def points(network: Network) -> Values:
    """Random unknowns (point, unknown), from close to the prior's centre to its tails."""
    rng = np.random.default_rng(20)
    return rng.uniform(0.1, 1.5, size=(POINTS, 1)) * rng.normal(size=(POINTS, network.size))


@pytest.fixture(scope="module")
def reference(network: Network, points: Values) -> tuple[Values, Values]:
    """Log density (point,) and gradient (point, unknown) by PyMC, not compiled: making machine code takes longer."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a missing linear algebra library, which nothing here needs
        import pytensor
        from pytensor.compile.mode import get_mode

        from gradeest.belief.nuts import build_model

        with pytensor.config.change_flags(cxx=""):
            model = build_model(network)
            theta, value = model.value_vars[0], model.logp(jacobian=False)
            mode = get_mode("FAST_COMPILE").including("stabilize")  # the sums of exponentials must not underflow
            function = model.compile_fn([value, pytensor.grad(value, theta)], mode=mode)
            found = [function({theta.name: point}) for point in points]
    return np.array([value for value, _ in found]), np.array([slope for _, slope in found])


def apart_by_one_constant(a: Values, b: Values) -> float:
    """Largest relative difference of two log densities that may differ by one constant."""
    gap = a - b
    return float((np.abs(gap - np.median(gap)) / np.maximum(np.abs(a), 1.0)).max())


def relative(a: Values, b: Values) -> float:
    """Largest difference of gradients, relative to the larger of one and the gradient's own norm at the point."""
    return float((np.abs(a - b) / np.maximum(np.linalg.norm(b, axis=1, keepdims=True), 1.0)).max())


def test_the_bench_holds_every_kind_of_evidence(network: Network) -> None:
    assert all(network.sizes[role] > 0 for role in "WONRST")
    assert {name for name, where in network.layout.items() if where.stop == where.start} == set()
    arrays = network.arrays
    assert set(arrays["as_censored"]) == {0, 1}
    of_fraction: dict[str, set[bool]] = {}
    for c, cell in enumerate(network.cells):
        if cell.kind == "mlcc-unsorted":
            of_fraction.setdefault(cell.address, set()).add(c in network.anchored)
    assert of_fraction == {"L1/mlcc": {True}, "L2/mlcc": {False}}  # correlated metals, weighed and not
    assert len(arrays["pair_corr"]) > 0
    assert arrays["cell_mixed"].max() == 1.5
    assert len(network.axes["balance"]) == 2
    assert network.sizes["told_stream"] == 4
    assert network.sizes["again_level"] == 2  # a product of products is refined once more
    assert all(network.sizes[name] > 0 for name in ("stream_value", "place", "bound_stream"))
    assert any(item.through for item in network.evidence.batch_metals)
    assert len(arrays["bent_bm"]) > 0  # what is set aside still may be as much as it weighs
    assert set((arrays["cap_among"] <= len(arrays["aside_sd"])).sum(axis=1)) == {1, 2}  # known, or of all that went in
    assert len(arrays["sp_certain"]) == 2  # of the liquid of a batch of products
    assert set(arrays["kept_part"]) == {0, 1}
    assert set(arrays["fi_of_kept"]) == {0, 1}
    assert set(arrays["ash_free"]) > {network.sizes["free"]}  # ash that a weight fixes, and ash that none does
    assert (network.configurations.of_group < len(network.configurations.terms)).sum(axis=1).max() >= 4


def test_log_density_of_numpy_and_pymc_agree_up_to_one_constant(
    network: Network, points: Values, reference: tuple[Values, Values]
) -> None:
    assert np.isfinite(reference[0]).all()
    assert apart_by_one_constant(log_density(points, network), reference[0]) < 1e-8


def test_the_machine_and_pymc_agree_in_value_and_gradient(
    network: Network, points: Values, reference: tuple[Values, Values]
) -> None:
    value, slope = Machine(record(network))(points.T.copy())
    assert apart_by_one_constant(value, reference[0]) < 1e-8
    assert relative(slope.T, reference[1]) < 1e-8


def differences(network: Network, points: Values, step: float = 1e-5) -> Values:
    """Gradient by central differences of fourth order of the numpy density, (point, unknown)."""
    found = np.empty_like(points)
    for n in range(points.shape[1]):
        shift = np.zeros(points.shape[1])
        shift[n] = step
        near, far = (log_density(points + s, network) - log_density(points - s, network) for s in (shift, 2 * shift))
        found[:, n] = (8 * near - far) / (12 * step)
    return found


def test_the_gradient_is_that_of_the_density(network: Network, points: Values) -> None:
    """Finite differences of the numpy density, which knows nothing of gradients."""
    _, slope = Machine(record(network))(points.T.copy())
    assert relative(slope.T, differences(network, points)) < 1e-5


def test_a_wrong_operation_is_found(network: Network, points: Values) -> None:
    """Twin: one operation of the program is another."""
    program = record(network)
    n = np.flatnonzero(program.op == SOFTPLUS)[1]  # far from where the two are alike
    op = program.op.copy()
    op[n] = EXP
    _, slope = Machine(replace(program, op=op))(points.T.copy())
    assert relative(slope.T, differences(network, points)) > 1e-2


@pytest.mark.parametrize(
    "name",
    [
        "pair_corr",
        "moist_sd",
        "li_sd",
        "wp_base",
        "as_sd",
        "cfg_terms",
        "kept_centre",
        "kept_ln_whole",
        "wp_ln_whole",
        "place_centre",
        "tp_ln_whole",
        "sb_sd",
        "sv_ln_share",
        "ash_mean",
        "spot_sd",
        "sp_ln_per_l",
        "bo_sd",
        "pa_u",
        "melt_sd",
        "part_scale",
        "cs_read",
        "bent_ln_most",
        "cap_ln_most",
        "cl_read",
        "cl_u",
        "ca_scale",
        "part_ln_share",
        "again_e_sd",
    ],
)
def test_a_changed_array_changes_the_density(network: Network, points: Values, name: str) -> None:
    """Twin of the agreement: the points reach every corner, so a density with one array changed is told apart."""
    old = network.arrays[name]
    new = old[::-1] if name == "cfg_terms" else 0.9 * old + 0.01
    changed = replace(network, arrays={**network.arrays, name: new})
    assert apart_by_one_constant(log_density(points, changed), log_density(points, network)) > 1e-6


def test_memory_of_values_alone_is_not_used_for_gradients(network: Network, points: Values) -> None:
    """Memory without room for derivatives, taken for them, was written beyond its end: a crash, now and then."""
    machine, theta = Machine(record(network), threads=1), points[:40].T
    values = machine.values(theta)
    terms, slope = machine.terms(theta)
    fresh_terms, fresh_slope = Machine(record(network), threads=1).terms(theta)
    np.testing.assert_array_equal(terms, fresh_terms)
    np.testing.assert_array_equal(slope, fresh_slope)
    np.testing.assert_array_equal(values[: len(terms)], terms[: len(values)])
