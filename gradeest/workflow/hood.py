"""Pages for the bench: the worksheet of a batch, labels for jars. Written whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from gradeest.errors import InputError
from gradeest.materials.catalogue import nearest
from gradeest.materials.hazards import DEFER
from gradeest.records.domain import Batch, Charge
from gradeest.records.text_files import write_whole
from gradeest.report.figures import interval, mass, percent
from gradeest.report.labels import Label, write_labels
from gradeest.report.worksheet import Block, Caution, Worksheet, write_worksheet
from gradeest.workflow.expecting import kept_forecast, made_late
from gradeest.workflow.hazard_lines import hazards_of
from gradeest.workflow.opening import Opened, Place, lot_named, open_bench
from gradeest.workflow.reading import results_of

EMPTY_LABELS = 4  # for what a batch will leave
NONE_LISTED = "none listed here, which does not make it safe"
SORTS = {
    "set-aside": "set aside, unprocessed",
    "residue": "residue",
    "solution": "solution",
    "wiped-up": "wiped up",
}


@dataclass(frozen=True)
class PageWritten:
    """A page that was written: where, of what, which boxes it has in which order, or how many labels."""

    path: Path
    about: str
    sort: str  # worksheet or labels
    boxes: tuple[Block, ...]
    labels: int


def write_batch_page(
    place: Place, name: str, blocks: Sequence[Block], path: Path | None = None, *, replace_old: bool = False
) -> PageWritten:
    """Write the worksheet of a batch with these boxes (`BATCH-worksheet.html` in the current folder by default)."""
    with open_bench(place) as opened:
        batch = batch_named(opened, name)
        sheet = make_worksheet(opened, batch, blocks)
        saved = save_page(path or Path(f"{batch.name}-worksheet.html"), write_worksheet(sheet), replace_old=replace_old)
        return PageWritten(saved, batch.name, "worksheet", tuple(blocks), 0)


def write_label_page(place: Place, about: str, path: Path | None = None, *, replace_old: bool = False) -> PageWritten:
    """Write labels for a batch's jars, a lot's fractions, or one fraction (`NAME-labels.html` by default)."""
    with open_bench(place) as opened:
        labels = make_labels(opened, about)
        target = path or Path(f"{about.replace('/', '-')}-labels.html")
        saved = save_page(target, write_labels(f"Labels: {about}", labels), replace_old=replace_old)
        return PageWritten(saved, about, "labels", (), len(labels))


def check_target(path: Path, *, replace_old: bool) -> None:
    """Raise InputError where a file is there already (unless `replace_old`) or is a folder."""
    if path.is_dir():
        raise InputError(f"{path} is a folder", f"name a file in it, such as {path / 'page.html'}")
    if path.exists() and not replace_old:
        raise InputError(f"{path} exists already", "name another file, or say --force to replace it")


def save_page(path: Path, page: str | bytes, *, replace_old: bool) -> Path:
    """Write a file whole or not at all. Raises InputError where it is there (unless `replace_old`) or cannot be."""
    check_target(path, replace_old=replace_old)
    write_whole(path, page.encode() if isinstance(page, str) else page)
    return path


def batch_named(opened: Opened, name: str) -> Batch:
    """The batch of that name. Raises InputError with the batches there are."""
    batch = opened.bench.batches.get(name)
    if batch is None:
        known = ", ".join(opened.bench.batches) or "none yet"
        hint = f"batches: {known}"
        if name.partition("/")[0] in opened.bench.lots:
            hint = f"that is a lot: only a batch has a worksheet; labels: gradeest worksheet {name} --labels"
        raise InputError(f"there is no batch '{name}'", hint)
    return batch


def make_worksheet(opened: Opened, batch: Batch, blocks: Sequence[Block]) -> Worksheet:
    """Everything that stands on the page of a batch."""
    bench, catalogue = opened.bench, opened.catalogue
    kinds = bench.kinds_in(batch)
    cautions = tuple(
        Caution(row.level, row.line, f"read {row.dated}" if row.level == "law" and row.dated else row.authority)
        for row in hazards_of(catalogue, batch.route, kinds)
    )
    rows = []
    for row in kept_forecast(opened, batch):
        fine, weight = (interval(tuple(at(q) for q in (0.05, 0.5, 0.95))) for at in (row.recovered_at, row.weight_at))
        chance = f"{percent(row.p_trace)}: next to none" if row.p_trace > 0.02 else ""
        rows.append((row.metal, fine, weight, catalogue.forms[row.form].name, chance))
    charges = tuple((c.address, say_what(opened, c.address), mass(c.mass_kg)) for c in batch.charges)
    return Worksheet(
        batch.name, batch.date, batch.route, catalogue.routes[batch.route].line, batch.note, cautions, DEFER, charges,
        tuple(rows), made_late(opened, batch), results_of(batch), tuple(blocks),
    )  # fmt: skip


def make_labels(opened: Opened, about: str) -> tuple[Label, ...]:
    """Labels of a batch (charges, products, streams, and empty ones), of a lot, or of one of its fractions."""
    bench = opened.bench
    if about in bench.batches:
        return batch_labels(opened, bench.batches[about])
    lot, slash, name = about.partition("/")
    if lot in bench.batches:
        found = tuple(label for label in batch_labels(opened, bench.batches[lot]) if label.address == about)
        if found:
            return found
        raise InputError(f"there is nothing called '{about}'", f"gradeest batch show {lot} names what came of it")
    names = [fraction.name for fraction in lot_named(opened, lot).fractions]
    if slash and name not in names:
        near = nearest(name, names)
        hint = f"did you mean {lot}/{near[0]}?" if near else f"fractions: {', '.join(names)}"
        raise InputError(f"there is no fraction '{about}'", hint)
    return tuple(fraction_label(opened, f"{lot}/{one}") for one in names if not slash or one == name)


def fraction_label(opened: Opened, address: str, charged: Charge | None = None, batch: Batch | None = None) -> Label:
    """The label of a fraction: of all that is left of it, or of the portion that was charged to a batch."""
    fraction = opened.bench.fraction(address)
    kind = opened.catalogue.kinds[fraction.kind]
    left = charged.mass_kg if charged is not None else opened.bench.left_kg(address)
    date = (batch.date if batch is not None else opened.bench.since(address)).isoformat()
    words = [w for w, said in (("wet", fraction.wet), ("mixed", fraction.mixed)) if said]
    what = ", ".join([kind.name, *words, *([f"for {batch.name}"] if batch is not None else [])])
    if kind.stop:
        return Label(address, what, mass(left), date, opened.catalogue.hazards[kind.stop].line, stop=True)
    hazard = ", ".join(hazard_words(opened, "", [fraction.kind])) or NONE_LISTED
    return Label(address, what, mass(left), date, hazard)


def charge_label(opened: Opened, charge: Charge, batch: Batch, brought: str) -> Label:
    """The label of what was charged to a batch: of a fraction, or of a stream with the hazards of its batch."""
    if not opened.bench.is_of_batch(charge.address):
        return fraction_label(opened, charge.address, charge, batch)
    what = f"{say_what(opened, charge.address)}, for {batch.name}"
    return Label(charge.address, what, mass(charge.mass_kg), batch.date.isoformat(), brought)


def say_what(opened: Opened, address: str) -> str:
    """What went in, in words: the kind of a fraction, or what a batch had left."""
    if opened.bench.has_product(address):
        return opened.catalogue.forms[opened.bench.product(address).form].name
    if opened.bench.is_of_batch(address):
        return f"{SORTS[opened.bench.stream(address).sort]} from {address.partition('/')[0]}"
    return opened.catalogue.kinds[opened.bench.fraction(address).kind].name


def hazard_words(opened: Opened, route: str, kinds: Sequence[str]) -> list[str]:
    """Hazards of a route and kinds in a few words each, the worst first; laws are no hazards."""
    return [row.short for row in hazards_of(opened.catalogue, route, kinds) if row.level != "law"]


def batch_labels(opened: Opened, batch: Batch) -> tuple[Label, ...]:
    """Labels of what went into a batch, what came of it, and empty ones for what will."""
    bench, forms = opened.bench, opened.catalogue.forms
    kinds = bench.kinds_in(batch)
    brought = ", ".join(hazard_words(opened, batch.route, kinds)) or NONE_LISTED
    came_from = f"it comes from work with {brought}"
    found = [charge_label(opened, c, batch, brought) for c in batch.charges]
    for product in batch.products:
        what = forms[product.form].name + (", damp" if product.damp else "")
        grams = f"{bench.product_left_g(f'{batch.name}/{product.name}'):g} g"
        found.append(Label(f"{batch.name}/{product.name}", what, grams, product.date.isoformat(), came_from))
    for stream in batch.streams:
        left = f"{stream.volume_l:.3g} L" if stream.mass_kg is None else mass(bench.left_kg(stream.address))
        found.append(Label(stream.address, SORTS[stream.sort], left, stream.date.isoformat(), brought))
    return (*found, *[Label(f"{batch.name}/", "", "", "", brought)] * EMPTY_LABELS)
