"""Jars that grew after something was taken: every source is a grade of its own.

A jar is well mixed whenever it grows. What is taken later comes from all sources in proportion to what stands of each
(`records/takings.py`), so a batch of such a jar is a drop of several fractions together, and an assay one of a mixture.
The sources are of one kind in one lot: they share richness and the switch, and differ by the unshared part of the
spread between lots. Sources are named LOT/JAR#1, #2 ...; no name that a person gives holds that sign.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from gradeest.records.domain import Assay, Batch, Bench, Charge, Discard, Fraction, Lot, Sale, Split

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior

SIGN = "#"
Part = TypeVar("Part", Charge, Sale, Discard, Split)
Values = NDArray[np.float64]


def jar_of(address: str) -> str:
    """The address people know, of a source."""
    return address.partition(SIGN)[0]


def source_address(jar: str, number: int) -> str:
    """The address of one source of a jar, counted from 0."""
    return f"{jar}{SIGN}{number + 1}"


def parts_of(assay: Assay) -> tuple[tuple[str, float], ...]:
    """What a sample was of: addresses, and their shares of its mass."""
    if not assay.layers_kg:
        return ((assay.address, 1.0),)
    total = sum(assay.layers_kg)
    shares = [(source_address(jar_of(assay.address), n), kg / total) for n, kg in enumerate(assay.layers_kg)]
    return tuple((address, share) for address, share in shares if share > 0)


def has_layers(bench: Bench) -> bool:
    """Whether any jar has more than one source."""
    return any(fraction.layers_kg for lot in bench.lots.values() for fraction in lot.fractions)


def split_layers(bench: Bench) -> Bench:
    """The same bench with every source as a fraction of its own; the bench itself where no jar has several."""
    if not has_layers(bench):
        return bench
    jars = {f"{lot.name}/{f.name}" for lot in bench.lots.values() for f in lot.fractions if f.layers_kg}

    def first_source(assay: Assay) -> Assay:
        single = assay.address in jars and not assay.layers_kg
        return replace(assay, address=source_address(assay.address, 0)) if single else assay

    return replace(
        bench,
        lots={name: _split_lot(lot) for name, lot in bench.lots.items()},
        batches={name: _split_batch(batch, jars) for name, batch in bench.batches.items()},
        assays=tuple(first_source(assay) for assay in bench.assays),
        sales=tuple(part for sale in bench.sales for part in _split_taking(sale, jars)),
        discards=tuple(part for discard in bench.discards for part in _split_taking(discard, jars)),
        splits=tuple(part for split in bench.splits for part in _split_taking(split, jars)),
    )


def _split_lot(lot: Lot) -> Lot:
    fractions: list[Fraction] = []
    for fraction in lot.fractions:
        for n, kg in enumerate(fraction.layers_kg):
            name = source_address(fraction.name, n)
            fractions.append(replace(fraction, name=name, mass_kg=kg, layers_kg=(), pieces=None))
        if not fraction.layers_kg:
            fractions.append(fraction)
    return replace(lot, fractions=tuple(fractions))


def _split_batch(batch: Batch, jars: set[str]) -> Batch:
    return replace(batch, charges=tuple(part for charge in batch.charges for part in _split_taking(charge, jars)))


def _split_taking(taking: Part, jars: set[str]) -> list[Part]:
    if taking.address not in jars:
        return [taking]
    shares = taking.layers_kg or (taking.mass_kg or 0.0,)
    return [
        replace(taking, address=source_address(taking.address, n), mass_kg=kg, layers_kg=())
        for n, kg in enumerate(shares)
        if kg > 0
    ]


def join_layers(posterior: Posterior, bench: Bench) -> Posterior:
    """The posterior by the addresses of `bench`, of one by the sources of its jars: mass-weighted grades."""
    if not has_layers(bench):
        return posterior
    by_source = split_layers(bench)
    rows = [
        tuple(n for n, source in enumerate(posterior.fractions) if jar_of(source) == address)
        for address in bench.addresses()
    ]
    mass = np.array([by_source.fraction(address).mass_kg for address in posterior.fractions])
    charged = np.array([by_source.charged_kg(address) for address in posterior.fractions])
    left = posterior.dry_left_kg
    first = [row[0] for row in rows]
    whole = _mean(posterior.grade_g_per_t, mass, rows)
    charge_g: dict[tuple[str, str, str], Values] = {}
    for (batch, source, metal), grams in posterior.charge_g.items():
        key = (batch, jar_of(source), metal)
        charge_g[key] = charge_g[key] + grams if key in charge_g else grams
    return replace(
        posterior,
        fractions=bench.addresses(),
        grade_g_per_t=whole,
        rest_grade_g_per_t=_mean(posterior.rest_grade_g_per_t, left, rows, whole),
        is_trace=posterior.is_trace[:, first],
        recoverable_g_per_t=_mean(posterior.recoverable_g_per_t, charged, rows),
        dry_left_kg=np.array([left[list(row)].sum() for row in rows]),
        dry_share=posterior.dry_share[first],
        pieces_per_kg=posterior.pieces_per_kg[first],
        charge_g=charge_g,
    )


def _mean(values: Values, weight: Values, rows: list[tuple[int, ...]], otherwise: Values | None = None) -> Values:
    """Weighted means of (draw, fraction, metal) over groups of fractions, what is no number left out."""
    out = np.empty((values.shape[0], len(rows), values.shape[2]))
    for n, row in enumerate(rows):
        part, share = values[:, list(row)], weight[list(row)][:, None]
        share = np.where(np.isnan(part), 0.0, share)
        total = share.sum(axis=1)
        with np.errstate(invalid="ignore"):
            found = np.nansum(part * share, axis=1) / total
        if len(row) == 1:
            found = part[:, 0]
        elif otherwise is not None:
            found = np.where(total > 0, found, otherwise[:, n])
        out[:, n] = found
    return out
