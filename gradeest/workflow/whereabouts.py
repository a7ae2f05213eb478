"""`where`: what each charge or each owner brought into a batch, and a fair split of its products between them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from gradeest.belief.evidence import Evidence, gather
from gradeest.belief.layers import jar_of, parts_of
from gradeest.errors import InputError, Issue
from gradeest.records.domain import METALS, Batch, Bench, Product
from gradeest.workflow.ash_clashes import AshClash, clashes_of
from gradeest.workflow.believing import believe
from gradeest.workflow.flowing import MetalFlow, Sort, Subject, describe_flow, find_subject, notes_on_flow
from gradeest.workflow.hood import check_target, save_page
from gradeest.workflow.opening import Place, open_bench
from gradeest.workflow.outlook import Trust, trust_in
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.decision.summary import Interval
    from gradeest.report.flow_drawing import MetalBands
    from gradeest.workflow.holdings import Holdings, Values

By = Literal["charge", "owner"]
GROUPINGS: tuple[By, ...] = ("charge", "owner")
DRAWINGS = (".svg", ".png")
FINEST_G = Decimal("0.001")  # the step where none was noted
NOTHING_BESIDE = "prior only"


@dataclass(frozen=True)
class Brought:
    """What one charge or owner brought of one metal: g contained, and its share of all that went in (0-1).

    `beside`: what parts this one from the others; the batch's own results tell only their sum.
    """

    name: str
    mass_kg: float
    metal: str
    contained_g: Interval
    share: Interval
    beside: str


@dataclass(frozen=True)
class Part:
    """One part of a product: fine metal in g, the expected share (0-1), and g of the product; these add up exactly."""

    name: str
    fine_g: Interval
    share: float
    split_g: float


@dataclass(frozen=True)
class ProductSplit:
    """A product with its fine metal in g and its parts. `left_g`: what was not sold or discarded."""

    address: str
    metal: str
    form: str
    weight_g: float
    left_g: float
    fine_g: Interval
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class WhereShown:
    """Where metal came from and where it went.

    `about`, `sort`: what was asked; `flows`: where each metal of all `batches` went. Where it came from is only said of
    one batch: without one `batch`, `date` and `route` are None and `brought` and `products` empty.
    """

    batch: str | None
    date: dt.date | None
    route: str | None
    by: By
    brought: tuple[Brought, ...]
    products: tuple[ProductSplit, ...]
    rests_on: Mapping[str, str]  # by metal: what all that went in rests on
    recovered: tuple[str, ...]  # metals that the route brings out; the others stay behind
    notes: tuple[str, ...]
    trust: Trust
    catalogue_version: str
    about: str = ""
    sort: Sort = "batch"
    batches: tuple[str, ...] = ()
    flows: tuple[MetalFlow, ...] = ()
    flow_notes: tuple[str, ...] = ()
    clashes: tuple[AshClash, ...] = ()  # of ash of filters that one of the batches ran
    drawing: Path | None = None


def show_where(
    place: Place, about: str | None = None, by: str | None = None, *, drawing: Path | None = None,
    replace_old: bool = False, report: Report = say_nothing,
) -> WhereShown:  # fmt: skip
    """Where the metal of a batch, a lot, a period or the whole bench (None) went; of a batch, where it came from too.

    Parameters: by, what lists the charges of a batch; drawing, a file for a picture of the flow (.svg or .png).
    Raises InputError for an unknown name, or a file that is there (unless `replace_old`) or cannot be written.
    """
    with open_bench(place) as opened:
        subject, grouping = understand(opened.bench, about, by, drawing, replace_old=replace_old)
        from gradeest.workflow.holdings import Holdings

        holdings = Holdings(opened, believe(opened, report=report))
        shown = WhereShown(
            None, None, None, grouping, (), (), {}, (), (), trust_in(holdings.posterior), opened.catalogue.version
        )
        if subject.sort == "batch":
            shown = trace_batch(holdings, subject.batches[0], grouping)
        flows = describe_flow(holdings, subject)
        notes = notes_on_flow(opened.bench, opened.catalogue, subject, flows)
        shown = replace(
            shown, about=subject.about, sort=subject.sort, batches=tuple(batch.name for batch in subject.batches),
            flows=flows, flow_notes=tuple(notes), drawing=drawing,
            recovered=tuple(flow.metal for flow in flows if flow.is_recovered),
            rests_on={flow.metal: flow.rests_on for flow in flows},
            clashes=clashes_of(opened, [batch.name for batch in subject.batches], report),
        )  # fmt: skip
        if drawing is not None and not any(flow.is_recovered and flow.parts for flow in flows):
            raise InputError(
                f"there is nothing to draw of {title_of(shown)}", "`gradeest where --all` shows all metals"
            )
        if drawing is not None:
            save_drawing(drawing, shown, replace_old=replace_old)
        return shown


def understand(
    bench: Bench, about: str | None, by: str | None, drawing: Path | None, *, replace_old: bool
) -> tuple[Subject, By]:
    """What was asked, before anything slow is begun. Raises InputError with everything that is wrong with it."""
    found: list[InputError] = []
    subject = Subject("", "bench", ())
    try:
        subject = find_subject(bench, about)
    except InputError as err:
        found.append(err)
    grouping = next((g for g in GROUPINGS if g == (by or GROUPINGS[0])), None)
    if grouping is None:
        found.append(InputError(f"'{by}' is nothing to list by", f"one of: {', '.join(GROUPINGS)}"))
    elif by is not None and subject.sort != "batch" and not found:
        known = ", ".join(bench.batches) or "none yet"
        found.append(InputError("--by splits what came out of one batch", f"name the batch; there are: {known}"))
    if drawing is not None:
        try:
            check_drawing(drawing, replace_old=replace_old)
        except InputError as err:
            found.append(err)
    if len(found) > 1:
        issues = [Issue("error", err.message, err.hint) for err in found]
        raise InputError(f"where: {len(found)} problems", issues=issues)
    if found:
        raise found[0]
    assert grouping is not None
    return subject, grouping


def check_drawing(path: Path, *, replace_old: bool) -> None:
    """Raise InputError where a picture cannot be written there."""
    if path.suffix.lower() not in DRAWINGS:
        raise InputError(f"{path} is no name of a picture", f"end it with {' or '.join(DRAWINGS)}")
    check_target(path, replace_old=replace_old)


def save_drawing(path: Path, shown: WhereShown, *, replace_old: bool) -> None:
    """Write the picture of the flows, whole or not at all."""
    from gradeest.report.flow_drawing import draw_flows

    save_page(path, draw_flows(title_of(shown), bands_of(shown), path.suffix.lower()), replace_old=replace_old)


def title_of(shown: WhereShown) -> str:
    """What the flows are of, in words."""
    many = f"{len(shown.batches)} batch{'' if len(shown.batches) == 1 else 'es'}"
    if shown.sort == "batch":
        return f"batch {shown.batch} ({shown.date}, {shown.route})"
    return {"lot": f"lot {shown.about} ({many})", "period": f"{shown.about} ({many})"}.get(
        shown.sort, f"the whole bench ({many})"
    )


def bands_of(shown: WhereShown) -> tuple[MetalBands, ...]:
    """The flows as a picture shows them: only metals that a route recovers."""
    from gradeest.report.figures import interval
    from gradeest.report.flow_drawing import Band, MetalBands

    return tuple(
        MetalBands(
            flow.metal,
            f"{interval((flow.contained_g.q5, flow.contained_g.q50, flow.contained_g.q95))} g",
            tuple(
                Band(part.to, part.share, f"{interval((part.grams.q5, part.grams.q50, part.grams.q95))} g")
                for part in flow.parts
            ),
        )
        for flow in shown.flows
        if flow.is_recovered and flow.parts
    )


def trace_batch(holdings: Holdings, batch: Batch, by: By) -> WhereShown:
    """What each group of charges brought into a batch, and the parts of its products."""
    bench = holdings.bench
    groups = group_charges(bench, batch, by)
    evidence = gather(bench, holdings.catalogue)
    charged = holdings.charged(batch)
    grams = {name: np.sum([charged[a] for a in addresses], axis=0) for name, addresses in groups.items()}
    shares = share_out(grams)
    brought = tuple(
        row
        for metal in METALS
        for row in bring(
            batch, metal, groups, grams, shares, [beside(evidence, batch, metal, a) for a in groups.values()]
        )
    )
    products = tuple(split_product(holdings, product, shares) for product in batch.products)
    return WhereShown(
        batch.name, batch.date, batch.route, by, brought, products,
        {metal: holdings.rests_on(batch, metal) for metal in METALS},
        tuple(metal for metal in METALS if metal in holdings.catalogue.routes[batch.route].recovery),
        tuple(notes_on(batch, groups, by)), trust_in(holdings.posterior), holdings.catalogue.version,
    )  # fmt: skip


def group_charges(bench: Bench, batch: Batch, by: By) -> dict[str, tuple[str, ...]]:
    """Addresses of the charges by what they are listed by, in the order in which they went in."""
    groups: dict[str, tuple[str, ...]] = {}
    for charge in batch.charges:
        name = owner_of(bench, charge.address) if by == "owner" else charge.address
        groups[name] = tuple(dict.fromkeys((*groups.get(name, ()), charge.address)))
    return groups


def owner_of(bench: Bench, address: str) -> str:
    """Whose a fraction is, or a stream: of several owners' lots, all of them."""
    lots = dict.fromkeys(root.partition("/")[0] for root in bench.fractions_behind(address))
    return " and ".join(dict.fromkeys(bench.lots[lot].owner for lot in lots))


def share_out(grams: Mapping[str, Values]) -> dict[str, Values]:
    """Each one's share of all metal that went in, draw by draw: (draw, metal), adding up to 1."""
    total = np.sum(list(grams.values()), axis=0)
    even = 1 / len(grams)  # where a draw holds no metal at all nobody brought more than another
    return {name: np.where(total > 0, part / np.where(total > 0, total, 1.0), even) for name, part in grams.items()}


def bring(
    batch: Batch,
    metal: str,
    groups: Mapping[str, Sequence[str]],
    grams: Mapping[str, Values],
    shares: Mapping[str, Values],
    besides: Sequence[str],
) -> list[Brought]:
    """The rows of one metal."""
    from gradeest.decision.summary import Interval

    m = METALS.index(metal)
    mass = {
        name: sum(charge.mass_kg for charge in batch.charges if charge.address in addresses)
        for name, addresses in groups.items()
    }
    return [
        Brought(name, mass[name], metal, Interval.of(grams[name][:, m]), Interval.of(shares[name][:, m]), text)
        for name, text in zip(groups, besides, strict=True)
    ]


def beside(evidence: Evidence, batch: Batch, metal: str, addresses: Sequence[str]) -> str:
    """What is known of charges beside this batch's own results: other batches and assays, in words."""
    found = [
        f"{item.batch}"
        for item in evidence.batch_metals
        if item.metal == metal and item.batch != batch.name and any(jar_of(part) in addresses for part in item.portions)
    ]
    found += [
        "its weight" for item in evidence.batch_metals
        if item.batch == batch.name and item.metal == metal and any(p.address in addresses for p in item.refined)
    ]  # fmt: skip
    assays = [
        a for a in evidence.assays if a.metal == metal and any(jar_of(part) in addresses for part, _ in parts_of(a))
    ]
    if assays:
        found.append(f"{len(assays)} assay{'s' if len(assays) > 1 else ''}")
    return ", ".join(found) or NOTHING_BESIDE


def split_product(holdings: Holdings, product: Product, shares: Mapping[str, Values]) -> ProductSplit:
    """A product and its parts: recovery is taken as the same for all that went in together."""
    from gradeest.decision.summary import Interval

    m = METALS.index(product.metal)
    fine = holdings.fine(product)
    expected = {name: float(share[:, m].mean()) for name, share in shares.items()}
    split = split_weight(product.weight_g, product.readability_g, list(expected.values()))
    parts = tuple(
        Part(name, Interval.of(fine * shares[name][:, m]), expected[name], grams)
        for name, grams in zip(shares, split, strict=True)
    )
    address = f"{product.batch}/{product.name}"
    left = holdings.bench.product_left_g(address)
    return ProductSplit(
        address, product.metal, product.form, product.weight_g, left, Interval.of(fine), parts
    )  # fmt: skip


def split_weight(weight_g: float, step_g: float, shares: Sequence[float]) -> tuple[float, ...]:
    """A weight in parts by shares (that add up to 1), in steps of the balance, adding up to the weight exactly.

    Steps left over by rounding down go to the largest remainders (Hamilton's rule). What of the weight is no whole
    step goes to the largest share. Counted in decimals: 0.1 g and 0.2 g are 0.3 g.
    """
    weight, step = Decimal(repr(float(weight_g))), Decimal(repr(float(step_g))) if step_g > 0 else FINEST_G
    steps = int(weight / step)
    exact = [share * steps for share in shares]
    counts = [math.floor(value) for value in exact]
    order = sorted(range(len(shares)), key=lambda n: (counts[n] - exact[n], n))
    for n in order[: steps - sum(counts)]:
        counts[n] += 1
    parts = [count * step for count in counts]
    parts[max(range(len(shares)), key=lambda n: shares[n])] += weight - sum(parts)
    return tuple(float(part) for part in parts)


def notes_on(batch: Batch, groups: Mapping[str, Sequence[str]], by: By) -> list[str]:
    """What should be known with the split."""
    notes = []
    if by == "owner" and len(groups) == 1:
        notes.append(f"all of {batch.name} belongs to {next(iter(groups))}: nothing is to be split")
    if len(groups) > 1:
        notes.append(
            f"{batch.name}'s own results speak of the sum; who brought how much rests on what is said beside it. "
            "Weigh or assay a portion of each alone before mixing, and the shares get sharp"
        )
        notes.append("recovery is taken as the same for all that went in together")
    if batch.is_open:
        notes.append(f"{batch.name} is open: more may come")
    return notes
