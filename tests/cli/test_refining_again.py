"""Products melted or refined again, typed as commands: nothing is counted twice, and what cannot be is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Ran, Run

LOT = """name = "june"
date = 2025-06-01
[[fraction]]
name = "a"
kind = "fingers-memory"
mass = "1.0 kg"
[[fraction]]
name = "b"
kind = "fingers-memory"
mass = "0.8 kg"
"""
POWDER = ("--metal", "Au", "--form", "gold-powder", "--readability", "0.01 g", "--close", "--later")
BUTTON = ("--metal", "Au", "--form", "gold-button", "--readability", "0.01 g", "--close")
MELT = ("--route", "melt-products", "--date", "2025-06-09")
EXACT = 1e-9


def well(done: Ran) -> Ran:
    assert done.code == 0, done.err
    return done


@pytest.fixture
def powders(run: Run, tmp_path: Path) -> Run:
    """Two powders of two batches, on the shelf."""
    (tmp_path / "june.toml").write_text(LOT)
    well(run("lot", "add", "june.toml"))
    for name, fraction, grams in (("B1", "a", "2.61 g"), ("B2", "b", "2.02 g")):
        well(run("batch", "add", "--charge", f"june/{fraction}", "--date", "2025-06-02", "--later"))
        well(run("record", "product", name, "--weight", grams, *POWDER, "--date", "2025-06-05"))
    return run


@pytest.fixture
def melting(powders: Run) -> Run:
    """The same, both in the crucible."""
    well(powders("batch", "add", "--charge", "B1/au-1", "--charge", "B2/au-1", *MELT, "--later"))
    return powders


def gold_flow(run: Run, *about: str):  # type: ignore[no-untyped-def]
    (gold,) = [flow for flow in well(run("where", *about, "--json")).json["flows"] if flow["metal"] == "Au"]
    return gold


def fine_on_hand(run: Run) -> float:
    """Middle of the gold in unsold products and open batches, g."""
    items = well(run("open", "--json")).json["items"]
    return sum(m["grams"]["q50"] for item in items for m in item["metals"] if m["metal"] == "Au")


def test_powders_melted_into_a_button_are_counted_once_everywhere(powders: Run) -> None:
    on_hand = fine_on_hand(powders)
    started = well(powders("batch", "add", "--charge", "B1/au-1", "--charge", "B2/au-1", *MELT, "--json"))
    (expected,) = started.json["expected"]
    assert (expected["metal"], expected["form"], expected["p_trace"]) == ("Au", "gold-button", 0)
    middle = expected["recovered_g"][expected["levels"].index(0.5)]
    assert 0.94 * on_hand < middle < on_hand
    assert fine_on_hand(powders) == pytest.approx(on_hand, rel=0.01)  # in the crucible, no longer on the shelf
    done = well(powders("record", "product", "B3", "--weight", "4.45 g", *BUTTON, "--date", "2025-06-10", "--json"))
    (judged,) = done.json["judged"]
    assert (judged["of"], judged["metal"], judged["surprise"]) == ("B3", "Au", False)
    rows = well(powders("grades", "--json")).json["rows"]
    rests = {row["address"]: row["rests_on"] for row in rows if row["metal"] == "Au" and "/" in str(row["address"])}
    assert rests == {"june/a": "1 weight, 1 later weight", "june/b": "1 weight, 1 later weight"}
    of_batches = [gold_flow(powders, name) for name in ("B1", "B2", "B3")]
    whole = [gold_flow(powders), gold_flow(powders, "june"), gold_flow(powders, "2025-06")]
    for flow in (*of_batches, *whole):
        assert sum(part["share"] for part in flow["parts"]) == pytest.approx(1, abs=EXACT)
        grams = sum(part["grams"]["mean"] for part in flow["parts"])
        assert grams == pytest.approx(flow["contained_g"]["mean"], rel=EXACT)
    assert whole[0] == whole[1] == whole[2]
    in_feed = sum(flow["contained_g"]["mean"] for flow in of_batches[:2])
    assert whole[0]["contained_g"]["mean"] == pytest.approx(in_feed, rel=EXACT)
    product = [next(p["grams"] for p in flow["parts"] if p["to"] == "product") for flow in (of_batches[2], whole[0])]
    assert product[1]["mean"] == pytest.approx(product[0]["mean"], rel=EXACT)  # the button, not the powders too
    books = well(powders("year", "2025", "--json")).json
    (out,) = books["metals"]
    assert out["products"] == 1
    assert out["weighed_g"]["mean"] == pytest.approx(product[0]["mean"], rel=1e-3)
    assert "Au 4.45 g (4.45 g still here)" in well(powders()).out
    for words in (("batch", "show", "B3"), ("worksheet", "B3"), ("worksheet", "B3", "--labels"), ("cost", "B3"),
                  ("history",), ("where", "B3", "--by", "charge"), ("lot", "show", "june")):  # fmt: skip
        assert max(len(line) for line in well(powders(*words)).out.splitlines()) <= 80
    assert "its weight" in powders("where", "B3", "--by", "charge").out


def test_an_earlier_weight_is_amended_and_the_product_still_goes_in_whole(melting: Run) -> None:
    well(melting("record", "product", "B3", "--weight", "4.45 g", *BUTTON, "--date", "2025-06-10", "--later"))
    (number, *_) = [e["number"] for e in melting("history", "--json").json["events"] if e["kind"] == "product"]
    well(melting("amend", str(number), "weight=2.71 g"))
    assert "B1/au-1  2.71 g" in melting("batch", "show", "B3").out
    undone = melting("undo", str(number))
    assert undone.code == 3
    assert "these rest on it" in " ".join(undone.err.split())


REFUSED = [
    (("batch", "add", "--charge", "B1/au-1", *MELT), ["B1/au-1 went into B3 already"]),
    (("batch", "add", "--charge", "B4/au-1", *MELT), ["B4 -> B4/au-1 -> B4"]),
    (("batch", "add", "--charge", "B3/au-1", *MELT), ["B3 has no product 'au-1'"]),
    (("batch", "add", "--charge", "june/a=1 g", *MELT), ["nothing is left of june/a", "june/a is none"]),
    (("sell", "B1/au-1", "--for", "100"), ["nothing is left of B1/au-1", "into B3"]),
    (("discard", "B2/au-1"), ["nothing is left of B2/au-1"]),
    (
        ("settle", "B1/au-1", "--received", "2.6 g", "--melted", "2.6 g", "--assay", "Au=.98", "--payable", "Au=98 %",
         "--price", "Au=100 / g", "--charges", "0", "--paid", "249.7"),
        ["B1/au-1 went into B3, no refiner can have it"],
    ),
    (("batch", "set-aside", "B3", "beads=1 g", "--date", "2025-06-09"), ["B3 refines products"]),
    (("record", "product", "B3", "--weight", "5 g", *BUTTON, "--date", "2025-06-10"), ["more than the 0.00463 kg"]),
    (
        ("record", "product", "B3", "--metal", "Ag", "--form", "silver-button", "--weight", "0.1 g",
         "--readability", "0.01 g", "--date", "2025-06-10"),
        ["B3 took no product of Ag, only of Au"],
    ),
]  # fmt: skip


def test_what_cannot_be_refined_again_is_refused_and_nothing_is_saved(melting: Run) -> None:
    events = len(melting("history", "--json").json["events"])
    for words, said in REFUSED:
        done = melting(*words)
        assert done.code == 3, (words, done.out)
        text = " ".join(done.err.split())
        for part in said:
            assert part in text, (words, text)
    assert len(melting("history", "--json").json["events"]) == events


def test_all_that_is_wrong_with_a_batch_of_products_is_said_at_once(powders: Run) -> None:
    well(powders("sell", "B2/au-1", "--for", "150", "--date", "2025-06-06"))
    events = len(powders("history", "--json").json["events"])
    done = powders("batch", "add", "--charge", "B1/au-1=1 g", "--charge", "B2/au-1", "--charge", "B3/au-1", "--charge",
                   "june/a", "--route", "refine-gold", "--date", "2025-06-04")  # fmt: skip
    assert done.code == 3
    text = " ".join(done.err.split())
    for words in (
        "B1/au-1 is there since 2025-06-05", "1 g is only a part: a product is refined whole",
        "leave the mass out: --charge B1/au-1", "nothing is left of B2/au-1", "to a buyer", "B3 -> B3/au-1 -> B3",
        "products go into a batch by themselves",
    ):  # fmt: skip
        assert words in text, text
    more = powders("batch", "add", "--charge", "B1/au-1=3 g", "--route", "foils-peroxide", "--date", "2025-06-09")
    text = " ".join(more.err.split())
    assert "B1/au-1 has 2.61 g left, 3 g is more" in text
    assert "foils-peroxide is for scrap" in text
    nothing = powders("batch", "add", "--charge", "B1/au-1", "--date", "2025-06-09")
    assert "a batch of products needs a route" in nothing.err
    assert len(powders("history", "--json").json["events"]) == events


def test_a_part_that_was_sold_before_is_not_melted(powders: Run) -> None:
    well(powders("sell", "B1/au-1", "1 g", "--for", "60", "--date", "2025-06-06"))
    well(powders("batch", "add", "--charge", "B1/au-1", "--charge", "B2/au-1", *MELT, "--later"))
    charges = {c["address"]: c["mass_kg"] for c in powders("batch", "show", "B3", "--json").json["batch"]["charges"]}
    assert charges == pytest.approx({"B1/au-1": 0.00161, "B2/au-1": 0.00202})


# -- a metal found in the product of another one -----------------------------------------------------------------------

CAPS = """name = "caps"
date = 2025-06-01
[[fraction]]
name = "all"
kind = "mlcc-unsorted"
mass = "400 g"
"""


def silver(run: Run) -> tuple[float, str]:
    """Middle of the silver grade, g/t, and what it rests on."""
    (row,) = [r for r in well(run("grades", "--json")).json["rows"] if (r["address"], r["metal"]) == ("caps/all", "Ag")]
    return row["contained"][1], row["rests_on"]


def test_silver_found_in_the_palladium_counts_as_silver_of_the_charge(run: Run, tmp_path: Path) -> None:
    """0.5 g of dry silver chloride hold 0.37 g; a tenth of 2 g of palladium salt adds 0.2 g, more than half as much."""
    (tmp_path / "caps.toml").write_text(CAPS)
    well(run("lot", "add", "caps.toml"))
    well(run("batch", "add", "--charge", "caps/all", "--date", "2025-06-02", "--later"))
    for metal, form, grams in (("Ag", "silver-chloride", "0.5 g"), ("Pd", "palladium-dmg", "2.0 g")):
        well(run("record", "product", "B1", "--metal", metal, "--form", form, "--weight", grams, "--readability",
                 "0.01 g", "--date", "2025-06-05", "--later"))  # fmt: skip
    well(run("batch", "close", "B1", "--date", "2025-06-05", "--later"))
    before, _ = silver(run)
    said = run("record", "product-assay", "B1/pd-1", "--metal", "Ag", "--value", "10 %", "--u", "0.5 %", "--method",
               "wet", "--date", "2025-06-06")  # fmt: skip
    assert "caps/all Ag rests on: 1 weight, 1 product assay." in " ".join(well(said).out.split())
    after, rests = silver(run)
    assert after / before == pytest.approx((0.37 + 0.2) / 0.37, rel=0.04)
    assert rests == "1 weight, 1 product assay"
    (flow,) = [f for f in well(run("where", "B1", "--json")).json["flows"] if f["metal"] == "Ag"]
    assert sum(part["share"] for part in flow["parts"]) == pytest.approx(1, abs=EXACT)
    (product,) = [part["grams"]["mean"] for part in flow["parts"] if part["to"] == "product"]
    assert product == pytest.approx(0.57, rel=0.02)
    why = " ".join(well(run("why", "caps/all", "--metal", "Ag")).out.split())
    assert "assay of B1/pd-1, Ag:" in why


def test_what_is_seen_of_the_liquid_of_products_counts_beside_a_weight_or_says_that_it_does_not(powders: Run) -> None:
    def note(done: Ran) -> str:
        return " ".join(well(done).out.split())

    well(powders("batch", "add", "--charge", "B1/au-1", "--route", "refine-gold", "--date", "2025-06-09", "--later"))
    well(powders("batch", "add", "--charge", "B2/au-1", *MELT, "--later"))
    told = ("record", "spot-test", "B3", "clear", "--metal", "Au", "--volume", "1 L", "--later")
    assert "counts beside the weight of what comes of B3: without one it tells nothing" in note(powders(*told))
    melted = powders("record", "spot-test", "B4", "clear", "--metal", "Au", "--volume", "1 L", "--later")
    assert melted.code == 3
    assert "B4 melts: there is no liquid of it" in melted.err
    gone = ("record", "none", "B4", "--metal", "Au", "--below", "0.02 g", "--liquid", "gone", "--later")
    assert "what B2/au-1 held was weighed before: that nothing dropped of it now changes no grade" in note(
        powders(*gone)
    )
    shown = well(powders("grades", "fingers-memory", "--json")).json
    assert "B3 has no weight of Au: its liquid says nothing of the products that went in" in shown["trust"]["notes"]
    weight = ("record", "product", "B3", "--weight", "2.40 g", *POWDER, "--date", "2025-06-10")
    well(powders(*[{"gold-powder": "gold-powder-refined"}.get(word, word) for word in weight]))
    rows = well(powders("grades", "fingers-memory", "--json")).json["rows"]
    (rests,) = {row["rests_on"] for row in rows if row["address"] == "june/a" and row["metal"] == "Au"}
    assert rests == "1 weight, 1 later weight, 1 later spot test"
