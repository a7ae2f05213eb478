"""What others say of products: assays of them and a refiner's settlement, and what a form is learned to hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from gradeest.errors import InputError
from gradeest.records.domain import METALS, Product
from gradeest.workflow.believing import State, believe, state_of, stream
from gradeest.workflow.learning import Learned, record
from gradeest.workflow.opening import Opened, Place, open_bench

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior
    from gradeest.decision.summary import Interval


@dataclass(frozen=True)
class ProductFine:
    """A product and the fine metal of its own that is in it, g."""

    address: str
    metal: str
    weight_g: float
    fine_g: Interval


@dataclass(frozen=True)
class FormLearned:
    """How pure the next product of a form is expected to be, 0-1, before and after."""

    form: str
    purity_before: Interval
    purity: Interval


@dataclass(frozen=True)
class ProductsLearned(Learned):
    """What an assay of a product or a settlement changed; `products` and `forms` are empty with `later`."""

    products: tuple[ProductFine, ...] = ()
    forms: tuple[FormLearned, ...] = ()


def record_product_assay(place: Place, answers: Mapping[str, Any], **how: Any) -> ProductsLearned:
    """Keep an assay of a product and learn from it; without an uncertainty the method's usual one is taken."""
    payload = dict(answers)
    if payload.get("u") is None:
        with open_bench(place) as opened:
            payload["u"] = opened.catalogue.constants.get(f"product_assay.{payload['method']}_u", 0.0)
    return learn_of(place, "productassay", payload, [payload["address"]], **how)


def settle(place: Place, answers: Mapping[str, Any], **how: Any) -> ProductsLearned:
    """Keep a refiner's paper and learn from it. `answers` are those of the questions, `METAL.fineness` and so on."""
    payload = paper_payload(answers)
    return learn_of(place, "settlement", payload, payload["products"], **how)


def paper_payload(answers: Mapping[str, Any]) -> dict[str, Any]:
    """A refiner's paper as it is kept. Raises InputError for a metal that is paid for without an assay."""
    metals = []
    for metal in METALS:
        fineness = answers.get(f"{metal}.fineness")
        payable, price = answers.get(f"{metal}.payable"), answers.get(f"{metal}.price")
        if fineness is not None:
            share, grams = payable or (0.0, None)
            if grams is not None:
                share = grams / (answers["melted_g"] * fineness)
            metals.append({"name": metal, "fineness": fineness, "payable": share, "price_per_g": price or 0.0})
        elif payable is not None or price is not None:
            raise InputError(f"{metal} is paid for without an assay", f"--assay {metal}=.9761, as the paper says")
    return {
        "products": list(answers["products"]),
        "received_g": answers["received_g"],
        "melted_g": answers["melted_g"],
        "metals": metals,
        "charges": answers["charges"],
        "paid": answers["paid"],
        "due": answers["due"],
        "to": answers.get("to") or "",
        "replaces": answers.get("replaces"),
    }


def read_price(text: str) -> float:
    """A refiner's price of fine metal, money per g, typed as "100 / g" or "3110 / ozt"."""
    from gradeest.decision.price_file import parse_metal_price

    return parse_metal_price(text, "")


def read_payable(text: str) -> tuple[float, float | None]:
    """What of a metal is paid for: a share ("98 %"), or grams ("29.5 g", "0.949 ozt") to be turned into one."""
    from gradeest.units import parse_mass, parse_share

    try:
        return parse_share(text), None
    except InputError as err:
        try:
            return 0.0, parse_mass(text, metal=True)
        except InputError:
            raise err from None


def learn_of(
    place: Place, kind: str, payload: Mapping[str, Any], addresses: Sequence[str], **how: Any
) -> ProductsLearned:
    """Keep one event about products, and say what they hold now and what their forms are learned to hold."""
    with open_bench(place) as opened:
        before = state_of(opened)
    learned = record(place, kind, payload, **how)
    known = {each.name: getattr(learned, each.name) for each in fields(Learned)}
    if learned.later:
        return ProductsLearned(**known)
    with open_bench(place) as opened:
        products = [opened.bench.product(address) for address in dict.fromkeys(addresses)]
        return ProductsLearned(**known, products=hold(opened, products), forms=learn_forms(opened, before, products))


def hold(opened: Opened, products: Sequence[Product]) -> tuple[ProductFine, ...]:
    """The fine metal of each product."""
    from gradeest.decision.summary import Interval
    from gradeest.workflow.holdings import Holdings

    holdings = Holdings(opened, believe(opened))
    return tuple(
        ProductFine(f"{p.batch}/{p.name}", p.metal, p.weight_g, Interval.of(holdings.fine(p))) for p in products
    )


def learn_forms(opened: Opened, before: State, products: Sequence[Product]) -> tuple[FormLearned, ...]:
    """The purity of the next product of each form, by the belief before and now."""
    old, new = believe(opened, before), believe(opened)
    forms = dict.fromkeys(product.form for product in products)
    return tuple(FormLearned(form, next_purity(opened, old, form), next_purity(opened, new, form)) for form in forms)


def next_purity(opened: Opened, posterior: Posterior, form: str) -> Interval:
    """The purity of a product of a form that is still to come."""
    from gradeest.belief.predictive import purity
    from gradeest.decision.summary import Interval

    rng = stream(opened.place, f"purity {form}")
    share = purity(posterior, form, opened.catalogue, np.arange(posterior.draws), rng)
    return Interval.of(share / opened.catalogue.forms[form].factor)
