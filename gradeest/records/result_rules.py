"""What lets a result in: a weighed product, nothing dropped, an assay."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from gradeest.materials.catalogue import Form, Route
from gradeest.records.balance_rules import DIGIT, check_named_balance, fits
from gradeest.records.domain import Batch, Liquid
from gradeest.records.findings import Findings, is_number, suggest
from gradeest.records.references import Context, began_by, find_open_batch, is_fraction, is_metal, sort_of_address
from gradeest.records.refined import takes_products
from gradeest.records.rerefine_rules import check_comes_of_products
from gradeest.records.sampling_rules import check_sampling
from gradeest.records.stock_rules import OVER

G_PER_KG = 1000.0
G_PER_T = 1e6
LIQUIDS: tuple[str, ...] = get_args(Liquid)
ASSAY_METHODS = ("fire", "wet", "plating")
LEAST_STEPS = 30  # below it two weights agree to a step by chance too often


def check_product(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a weighed product."""
    batch = find_open_batch(payload["batch"], context, found)
    metal_known = is_metal(payload["metal"], found)
    form = _find_form(payload, context, found) if metal_known else None
    weighed = _check_reading(payload, found)
    check_named_balance(payload, context, found)
    if batch is None or not metal_known:
        return
    check_route_gives(context.catalogue.routes.get(batch.route), batch, payload["metal"], found)
    if any(n.metal == payload["metal"] and n.liquid != "kept" for n in batch.nondetects):
        found.error(
            "metal",
            f"{batch.name} has the result that no {payload['metal']} dropped",
            "undo that first (`gradeest history`)",
        )
    check_comes_of_products(payload["metal"], batch, context.bench, found)
    if form is not None and weighed:
        _check_amount(payload, batch, form, context, found)
        _check_pro_rata(payload, batch, context, found)


def check_nondetect(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against "nothing dropped"."""
    batch = find_open_batch(payload["batch"], context, found)
    metal, limit = payload["metal"], payload["below_g"]
    metal_known = is_metal(metal, found)
    if not is_number(limit) or limit <= 0:
        found.error("below_g", f"{limit} cannot be a limit", "what you would just have seen or weighed, e.g. 0.02 g")
    if payload["liquid"] not in LIQUIDS:
        word = str(payload["liquid"])
        found.error("liquid", f"'{word}' is none of the answers", suggest(word, LIQUIDS, ", ".join(LIQUIDS)))
    if batch is None or not metal_known:
        return
    check_route_gives(context.catalogue.routes.get(batch.route), batch, metal, found)
    weighed = [p.name for p in batch.products if p.metal == metal]
    if weighed:
        found.error(
            "metal",
            f"{batch.name} has {metal} weighed already ({', '.join(weighed)})",
            "close the batch if no more will come; or undo the weight",
        )
    if any(n.metal == metal and n.liquid != "kept" for n in batch.nondetects):
        found.error("metal", f"{batch.name} has the result that no {metal} dropped already", "undo it to change it")
    if takes_products(batch):
        went_in = ", ".join(charge.address for charge in batch.charges)
        found.warn("batch", f"what {went_in} held was weighed before: that nothing dropped of it now changes no grade")
    if is_number(limit) and limit > batch.mass_kg * G_PER_KG:
        found.error("below_g", f"{limit:g} g is more than went into {batch.name}", "check the unit")


def check_assay(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against an assay of a fraction."""
    if sort_of_address(str(payload["address"])) == "product":
        found.error("address", f"'{payload['address']}' is a product", "its assay: `gradeest record product-assay`")
        return
    if payload.get("method") == "xrf":
        found.error(
            "method",
            "XRF of parts reads their skin: of plated ones a thickness comes out, not a grade",
            "have a ground sample assayed (--method fire or wet); XRF of a melted button is a product-assay",
        )
    elif (payload.get("method") or "fire") not in ASSAY_METHODS:
        found.error("method", f"'{payload['method']}' is no method", "fire or wet, of a ground sample")
    address_known = is_fraction(payload["address"], context.bench, found, "address")
    if address_known:
        began_by(found, context, context.bench.since(payload["address"]), payload["address"])
    metal_known = is_metal(payload["metal"], found)
    value, u_rel = payload["value_g_per_t"], payload["u_rel"]
    if not is_number(u_rel) or u_rel <= 0:
        found.error("u", f"{u_rel} cannot be an uncertainty", "one standard deviation, relative, e.g. 5 %")
    elif u_rel > 1:
        found.error("u", f"an uncertainty of {u_rel:.0%} tells nothing", "relative, one standard deviation, e.g. 5 %")
    elif u_rel < 0.001:
        found.ask("u", f"{u_rel:.2g} is less than the best laboratories reach", "relative, with the sampling, e.g. 5 %")
    if not is_number(value) or value <= 0:
        hint = "e.g. 310 g/t; for nothing found give the detection limit as below"
        found.error("value", f"{value} cannot be an assay", hint)
    elif value > G_PER_T:
        found.error("value", f"{value:g} g/t is more metal than there is material", "check the unit")
    elif address_known and metal_known:
        kind = context.bench.fraction(payload["address"]).kind
        row = context.catalogue.kinds[kind].grades[payload["metal"]] if kind in context.catalogue.kinds else None
        if row is not None and value > row.max_g_per_t:
            found.ask(
                "value",
                f"{value:g} g/t {payload['metal']} is more than {kind} is thought to hold ({row.max_g_per_t:g} g/t)",
                "check unit and metal",
            )
        check_sampling(payload, context, found)


def _find_form(payload: Mapping[str, Any], context: Context, found: Findings) -> Form | None:
    forms = context.catalogue.forms
    form = forms.get(payload["form"])
    fitting = [f.id for f in forms.values() if f.metal == payload["metal"]]
    if form is None:
        hint = suggest(str(payload["form"]), fitting, ", ".join(fitting))
        found.error("form", f"there is no form '{payload['form']}'", hint)
    elif form.metal != payload["metal"]:
        found.error("form", f"{form.id} is a form of {form.metal}, not of {payload['metal']}", ", ".join(fitting))
        return None
    return form


def _check_reading(payload: Mapping[str, Any], found: Findings) -> bool:
    """Whether weight and readability can be used."""
    weight, step = payload["weight_g"], payload["readability_g"]
    usable = True
    if not is_number(step) or step <= 0:
        found.error("readability", f"{step} cannot be a balance's step", "its last digit, e.g. 0.01 g")
        usable = False
    if not is_number(weight) or weight < 0:
        found.error("weight", f"{weight} cannot be a weight", "the net weight, e.g. 1.84 g")
        return False
    if weight == 0:
        found.error("weight", "a weight of zero is no weight", "`gradeest record none` says that nothing dropped")
        return False
    if usable and weight < step:
        found.error("weight", f"{weight:g} g is less than the balance can show ({step:g} g)", "`gradeest record none`")
        return False
    interval = payload.get("interval_g") or 0.0
    if not is_number(interval) or not 0 <= interval < 2 * weight:
        found.error("weight", f"a range of {interval} g about {weight:g} g cannot be", "such as 2-3 g, above zero")
        return False
    if usable and not interval and not fits(weight, step):
        found.ask(
            "readability",
            f"{weight:g} g has more digits than a balance with steps of {step:g} g shows",
            "give the step of the balance it was weighed on",
        )
    return usable


def check_route_gives(route: Route | None, batch: Batch, metal: str, found: Findings) -> None:
    """Add an error where a route recovers none of a metal: a weight of it would contradict the route, not the grade."""
    if route is not None and metal not in route.recovery:
        found.error(
            "metal",
            f"the route of {batch.name} ({route.id}) brings no {metal} into a product: "
            f"it stays in the {route.stays_in.get(metal, 'residue')}",
            "if another route was run, correct it with `gradeest amend` (route=...)",
        )


def _check_amount(payload: Mapping[str, Any], batch: Batch, form: Form, context: Context, found: Findings) -> None:
    """The metal that is in the weight at most, against what the charge can hold."""
    catalogue, metal = context.catalogue, payload["metal"]

    def most_metal(weight_g: float, form_id: str) -> float:
        return weight_g * (catalogue.forms[form_id].largest_share if form_id in catalogue.forms else 1.0)

    own = payload["weight_g"] * form.largest_share
    earlier_all = sum(most_metal(p.weight_g, p.form) for p in batch.products)
    earlier = sum(most_metal(p.weight_g, p.form) for p in batch.products if p.metal == metal)
    most = batch.mass_kg * G_PER_KG * (OVER if takes_products(batch) else 1.0)  # two balances may disagree
    if own + earlier_all > most:
        with_earlier = " with what was weighed before" if earlier_all else ""
        found.error(
            "weight",
            f"{payload['weight_g']:g} g of {form.name} hold up to {own:.6g} g {metal}: "
            f"more{with_earlier} than the {batch.mass_kg:g} kg that went in",
            "check the unit, and that it is the right batch",
        )
        return
    limit_g = 0.0
    for charge in batch.charges:
        if context.bench.has_product(charge.address):
            product = context.bench.product(charge.address)
            limit_g += most_metal(charge.mass_kg * G_PER_KG, product.form) if product.metal == metal else 0.0
            continue
        behind = [context.bench.fraction(root).kind for root in context.bench.fractions_behind(charge.address)]
        kinds = [catalogue.kinds.get(kind) for kind in behind]
        row_max = max(kind.grades[metal].max_g_per_t if kind is not None else G_PER_T for kind in kinds)
        limit_g += charge.mass_kg * row_max / G_PER_KG
    if own + earlier > limit_g:
        what = "its products can hold" if takes_products(batch) else "its kinds are thought to hold"
        found.ask(
            "weight",
            f"{own + earlier:.4g} g {metal} from {batch.mass_kg:g} kg is more than {what} ({limit_g:.4g} g)",
            "check unit, metal, form, and whether it was dry",
        )


def _check_pro_rata(payload: Mapping[str, Any], batch: Batch, context: Context, found: Findings) -> None:
    """One drop shared out by mass over several batches looks like independent results that agree: it is none."""
    weight, step = payload["weight_g"], payload["readability_g"]
    if weight < LEAST_STEPS * step or payload.get("interval_g") or batch.mass_kg <= 0:
        return  # a batch without mass stands only in a history that a correction would break
    alike = []
    for other in context.bench.batches.values():
        if other.name == batch.name or (other.date, other.route) != (batch.date, batch.route):
            continue
        ratio = other.mass_kg / batch.mass_kg
        for one in other.products:
            same = (one.metal, one.form, one.date) == (payload["metal"], payload["form"], context.happened_on)
            rounding = (step * ratio + one.readability_g) / 2 * (1 + DIGIT)
            if (
                same
                and one.weight_g >= LEAST_STEPS * one.readability_g
                and abs(weight * ratio - one.weight_g) <= rounding
            ):
                alike.append(other.name)
    if not alike:
        return
    report = found.ask if len(alike) == 1 else found.error
    report(
        "weight",
        f"{batch.name} gives the same metal per kg, to the last digit, as {', '.join(alike)} of the same day",
        "was it one drop, shared out? then record one batch with every --charge and the whole weight",
    )
