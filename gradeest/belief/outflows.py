"""What leaves a batch before its product: recorded losses, and streams set aside while it ran.

Of the metal C that went in, A = C (1 - sigma) kept is in work. A recorded loss has the share sigma, logit-normal with
the person's interval as 5 and 95 % points. Streams set aside share C by softmax(ln odds_j, 0), the zero being what is
kept; ln odds_j follows its row of shares, which is for one stream taken alone.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.choices import pad_rows
from gradeest.belief.evidence import recovers_of_all
from gradeest.belief.network import Z95, SetAside, floats, logit, logit_normal
from gradeest.belief.streams import goes_on, read_off, row_of, takers
from gradeest.materials.catalogue import Catalogue
from gradeest.records.domain import Batch, Loss

if TYPE_CHECKING:
    from gradeest.belief.assembly import Assembly

Values = NDArray[np.float64]


def loss_logit(loss: Loss) -> tuple[float, float]:
    """Centre and sd of the logit of a recorded loss's share."""
    return range_logit(loss.low, loss.high)


def range_logit(low: float, high: float) -> tuple[float, float]:
    """Centre and sd of the logit of a share that a person gave as a range, its 5 and 95 % points."""
    low, high = (logit(min(max(share, 1e-4), 1 - 1e-4)) for share in (low, high))
    return (low + high) / 2, max((high - low) / (2 * Z95), 1e-3)


def set_aside_names(batch: Batch) -> tuple[str, ...]:
    """Names of the streams set aside from a batch."""
    return tuple(stream.name for stream in batch.streams if stream.sort == "set-aside")


def set_aside_logit(batch: Batch, catalogue: Catalogue) -> tuple[tuple[float, float], ...]:
    """Centre and sd of the ln odds of every stream set aside from a batch.

    Empty where the recovery rows of the route are stated for all that was charged (a row of its own says so).
    """
    if recovers_of_all(batch.route, catalogue):
        return ()
    row = logit_normal(catalogue.shares["set-aside"])
    return tuple(row for _ in set_aside_names(batch))


def list_outflows(net: Assembly) -> None:
    """Losses (one share per record, for all metals) and streams set aside (one share per stream and metal).

    A stream that a later weight tells of has no share of its own to be drawn (`streams.py`). What was wiped up is a
    share of its spill in the same way, where a later batch took it.
    """
    losses: list[tuple[float, float]] = []
    of_batch: dict[str, list[int]] = {}
    streams: list[tuple[float, float]] = []
    loss_rows, stream_rows = [], []
    before: list[list[int]] = []  # of every loss: the losses of its batch that came first
    for item in net.items:
        batch = net.bench.batches[item.batch]
        if item.batch not in of_batch:
            of_batch[item.batch] = list(range(len(losses), len(losses) + len(batch.losses)))
            net.losses_of[item.batch] = of_batch[item.batch]
            before += [of_batch[item.batch][:number] for number in range(len(batch.losses))]
            losses += [loss_logit(loss) for loss in batch.losses]
        loss_rows.append(of_batch[item.batch])
        taken = {part.address for _, part in takers(net, item)}
        told = {part.address for _, part in read_off(net, item)}
        for_all = recovers_of_all(item.route, net.catalogue)
        from_work = []
        for stream in batch.streams:
            if stream.address in told:
                continue
            if stream.sort == "wiped-up" and stream.address in taken:
                streams.append(row_of(net, stream.address, item.metal))
                net.aside_of[stream.address, item.metal] = len(streams)
            if stream.sort != "set-aside":
                continue
            row = row_of(net, stream.address, item.metal)
            unseen = for_all and not goes_on(net, item) and not taken  # nothing depends on it: drawn afterwards
            most_g = 1000 * stream.mass_kg if stream.mass_kg else math.inf
            net.set_aside.append(SetAside(stream.address, item.metal, *row, -1 if unseen else len(streams), most_g))
            if unseen:
                continue
            streams.append(row)
            net.aside_of[stream.address, item.metal] = len(streams)
            if not for_all:
                from_work.append(len(streams))
        stream_rows.append(from_work)
    net.arrays |= {
        "loss_centre": floats(c for c, _ in losses), "loss_sd": floats(s for _, s in losses),
        "aside_centre": floats(c for c, _ in streams), "aside_sd": floats(s for _, s in streams),
        "bm_losses": pad_rows(loss_rows, len(losses)), "loss_before": pad_rows(before, len(losses)),
        "bm_aside": pad_rows([[0, *row] for row in stream_rows], 1 + len(streams)),  # 0: what is kept
    }  # fmt: skip
    net.unknowns |= {"loss": len(losses), "aside": len(streams)}


def draw_ln_kept(batch: Batch, catalogue: Catalogue, rng: np.random.Generator, draws: int) -> Values:
    """ln of the share of a batch's metal that stays in work, forward: (draw,)."""
    kept = np.zeros(draws)
    for centre, sd in (loss_logit(loss) for loss in batch.losses):
        kept -= np.logaddexp(0.0, centre + sd * rng.normal(size=draws))
    odds = [centre + sd * rng.normal(size=draws) for centre, sd in set_aside_logit(batch, catalogue)]
    return kept - (np.logaddexp.reduce([np.zeros(draws), *odds], axis=0) if odds else 0.0)
