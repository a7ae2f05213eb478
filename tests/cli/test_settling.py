"""A refiner's paper and assays of products through the commands."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Run

BOOKED = {"B1": "10.9 g", "B2": "12.4 g", "B3": "8.6 g"}  # invented: three lots, powder as weighed
PRODUCTS = tuple(f"{name}/au-1" for name in BOOKED)
PAPER = (
    *("settle", *PRODUCTS, "--received", "31.42 g", "--melted", "31.38 g", "--assay", "Au=.9761"),
    *("--assay", "Pd=0.55 %", "--assay", "Ag=0.9 %", "--payable", "Au=98 %", "--price", "Au=100 / g"),  # invented
    *("--charges", "75", "--date", "2024-03-01"),
)


@pytest.fixture
def booked(run: Run) -> Run:
    for n, (name, weight) in enumerate(BOOKED.items(), start=1):
        text = f'name = "lot{n}"\ndate = 2024-01-0{n}\n[[fraction]]\nname = "strips"\nkind = "fingers-memory"\n'
        Path(f"lot{n}.toml").write_text(text + 'mass = "4 kg"\n', encoding="utf-8")
        assert run("lot", "add", f"lot{n}.toml").code == 0
        assert run("batch", "add", "--charge", f"lot{n}/strips", "--later", "--date", f"2024-01-1{n}").code == 0
        how = ("--readability", "0.1 g", "--close", "--later", "--date", f"2024-02-0{n}")
        assert (
            run("record", "product", name, "--metal", "Au", "--form", "gold-powder", "--weight", weight, *how).code == 0
        )
    return run


def test_a_settlement_of_three_lots_rescales_each_and_teaches_the_form(booked: Run) -> None:
    """Melted 31.38 g at .9761 of 31.9 g booked: the powders were 0.960 fine, and share that error."""
    done = booked(*PAPER, "--paid", "2927", "--json").json
    fine = {row["address"]: row["fine_g"]["mean"] for row in done["products"]}
    for address, expected in zip(PRODUCTS, (10.47, 11.91, 8.26), strict=True):
        assert fine[address] == pytest.approx(expected, rel=0.005)
    (form,) = done["forms"]
    assert form["purity"]["mean"] == pytest.approx(0.972, abs=0.003)
    assert form["purity_before"]["mean"] > form["purity"]["mean"] + 0.004
    notes = "\n".join(done["saved"][0]["notes"])
    assert "3001.74; less charges 75.00: 2926.74; paid 2927.00" in notes
    assert "not paid for: Ag 0.28 g, Pd 0.17 g. Did it come over" in notes
    assert "0.282 g Ag came over into B1/au-1, B2/au-1, B3/au-1: no weight of Ag" in notes


CAPS = """
name = "caps"
date = 2024-01-05
[[fraction]]
name = "mix"
kind = "mlcc-unsorted"
mass = "400 g"
"""


def test_silver_that_a_refiner_found_in_the_palladium_goes_back_to_its_batch(run: Run) -> None:
    """0.15 g beside 0.38 g that were dropped (0.50 g of chloride): 1.4 times as much of 400 g of caps."""
    Path("caps.toml").write_text(CAPS, encoding="utf-8")
    assert run("lot", "add", "caps.toml").code == 0
    assert run("batch", "add", "--charge", "caps/mix", "--later", "--date", "2024-01-06").code == 0
    for metal, form, weight in (("Ag", "silver-chloride", "0.50 g"), ("Pd", "palladium-dmg", "2.00 g")):
        how = ("--readability", "0.01 g", "--later", "--date", "2024-01-08", *(["--close"] if metal == "Pd" else []))
        assert run("record", "product", "B1", "--metal", metal, "--form", form, "--weight", weight, *how).code == 0
    both = run("settle", "B1/pd-1", "B1/ag-1", "--received", "2.5 g", "--melted", "2.4 g", "--assay", "Pd=.258",
               "--assay", "Ag=.154", "--paid", "0", "--date", "2024-02-01", "--later")  # fmt: skip
    assert "all 0.37 g Ag count as of B1/ag-1, though B1/pd-1 may hold some of it" in " ".join(both.out.split())
    assert run("undo", "6").code == 0
    paper = ("--received", "2.0 g", "--melted", "1.9 g", "--assay", "Pd=.30", "--assay", "Ag=.08", "--paid", "0")
    done = run("settle", "B1/pd-1", *paper, "--date", "2024-02-01", "--json").json
    assert any("0.152 g Ag came over into B1/pd-1" in note for note in done["saved"][0]["notes"])
    (change,) = (row for row in done["changes"] if row["metal"] == "Ag" and row["address"] == "caps/mix")
    before, after = (change[f"recoverable_{when}"][1] for when in ("before", "after"))
    assert before == pytest.approx(0.50 * 0.7526 * 0.985 / 0.4 * 1000, rel=0.03)  # gravimetric factor, purity of salts
    assert after - before == pytest.approx(1.9 * 0.08 / 0.4 * 1000, rel=0.05)
    assert "1 settlement" in change["rests_on"]


def test_a_paper_that_does_not_add_up_is_asked_back(booked: Run) -> None:
    stopped = booked(*PAPER, "--paid", "2500", "--later")
    assert stopped.code == 3
    assert "2926.74, but paid 2500.00: -426.74" in " ".join(stopped.err.split())
    assert "settlement" not in booked("history").out
    assert booked(*PAPER, "--paid", "2500", "--due", "426.74", "--later").code == 0  # a part payment
    number = booked("history", "--json").json["events"][-1]["number"]
    assert booked("amend", str(number), "paid=2926.74", "due=0").code == 0


def test_the_products_leave_the_stock_and_the_money_comes_in(booked: Run) -> None:
    assert booked(*PAPER, "--paid", "2927", "--later").code == 0
    assert booked("batch", "show", "B2", "--json").json["left"]["au-1"] == 0
    assert booked("year", "2024", "--json").json["money"]["paid"] == pytest.approx(2927)
    assert "nothing is left" in booked("sell", "B1/au-1", "--for", "5").err
    assert booked("undo", "13").code == 0
    assert booked("batch", "show", "B2", "--json").json["left"]["au-1"] == pytest.approx(12.4)


def test_a_later_paper_may_replace_an_earlier_one(booked: Run) -> None:
    assert booked(*PAPER, "--paid", "2927", "--later").code == 0
    again = booked(*PAPER, "--paid", "2927", "--later")
    assert again.code == 3
    assert "--replaces 13" in again.err
    assert booked(*PAPER, "--paid", "2927", "--replaces", "13", "--later").code == 0
    assert booked("year", "2024", "--json").json["money"]["paid"] == pytest.approx(2927)
    assert "these rest on it: 14" in booked("undo", "13").err.replace("\n    ", " ")
    assert booked("amend", "14", "Au.fineness=.975", "melted=31.40 g", "--sure").code == 0
    assert "fineness" in booked("amend", "14").err
    assert "Au 0.975" in booked("history", "--json").json["events"][13]["text"]


def test_a_paper_in_troy_ounces(booked: Run) -> None:
    """1.009 ozt are 31.383 g; grams payable are turned into a share."""
    words = [{"31.42 g": "1.010 ozt", "31.38 g": "1.009 ozt", "Au=98 %": "Au=0.965 ozt"}.get(w, w) for w in PAPER]
    assert booked(*words, "--paid", "2926.50", "--later").code == 0
    (line,) = booked("batch", "show", "B1", "--json").json["said"]["au-1"]
    assert "Au 97.61 %" in line


def test_wrong_papers_are_refused_with_everything_that_is_wrong(booked: Run) -> None:
    wrong = booked(
        *("settle", "B1/au-1", "B1/au-1", "lot1/strips", "--received", "8 g", "--melted", "9 g"),
        *("--assay", "Au=.98", "--assay", "Ag=.05", "--payable", "Au=98 %", "--paid", "1", "--later"),
    )
    assert wrong.code == 3
    for words in (
        "named twice",
        "'lot1/strips' is no product",
        "more than the 8 g received",
        "more than 100 %",
        "at no price",
    ):
        assert words in " ".join(wrong.err.split())
    silver_alone = booked("settle", "B1/au-1", "--received", "10.9 g", "--melted", "10.8 g", "--assay", "Ag=.02",
                          "--paid", "0", "--later")  # fmt: skip
    assert silver_alone.code == 3
    assert "the paper names no Au, and that is what was sent" in " ".join(silver_alone.err.split())
    assert "is no METAL=VALUE" in booked(*PAPER, "--paid", "1", "--assay", "Pt=.5").err


def test_an_assay_of_a_product_is_kept_and_learned_from(booked: Run) -> None:
    done = booked(
        "record", "product-assay", "B1/au-1", "--metal", "Au", "--value", ".93", "--u", "0.3 %", "--json"
    ).json
    (row,) = done["products"]
    assert row["fine_g"]["mean"] == pytest.approx(10.9 * 0.93, rel=0.01)
    assert done["forms"][0]["purity"]["mean"] < done["forms"][0]["purity_before"]["mean"]
    assert "Au 93 % by fire (event 13)" in booked("batch", "show", "B1").out
    assert booked("amend", "13", "share=97 %", "u=0.1 %", "method=xrf").code == 0
    assert booked("history", "--json").json["events"][12]["text"] == (
        "assay of B1/au-1, Au: 97 %, give or take 0.1 %, xrf"
    )
    assert "settled" not in booked("batch", "show", "B1").out
    assert booked("undo", "13").code == 0


def test_what_cannot_be_an_assay_of_a_product_is_refused(booked: Run) -> None:
    def refused(*words: str) -> str:
        ran = booked("record", "product-assay", *words, "--later")
        assert ran.code == 3
        return " ".join(ran.err.split())

    assert "a purity lies above 0 and at most at 1" in refused("B1/au-1", "--metal", "Au", "--value", "101 %")
    assert "'lot1/strips' is no product" in refused("lot1/strips", "--metal", "Au", "--value", "97 %")
    silver = booked("record", "product-assay", "B1/au-1", "--metal", "Ag", "--value", "5 %", "--later")
    assert silver.code == 0
    assert "0.545 g Ag came over into B1/au-1: no weight of Ag of B1 is there" in " ".join(silver.out.split())
    assert "more than 100 %" in refused("B1/au-1", "--metal", "Au", "--value", "97 %")


def test_xrf_of_parts_is_no_grade(booked: Run) -> None:
    words = ("record", "assay", "lot1/strips", "--metal", "Au", "--value", "3000 g/t", "--u", "5 %")
    refused = booked(*words, "--method", "xrf")
    assert refused.code == 3
    assert "a thickness comes out, not a grade" in " ".join(refused.err.split())
    assert "record product-assay" in booked("record", "assay", "B1/au-1", *words[3:]).err
    assert booked(*words, "--method", "fire", "--later").code == 0


def test_a_surprise_is_announced_before_it_is_learned_from(booked: Run) -> None:
    done = booked(*PAPER, "--paid", "2927", "--json").json
    (judged,) = done["judged"]
    assert (judged["evidence"], judged["metal"], judged["unit"]) == ("settlement", "Au", "g")
    assert judged["value"] == pytest.approx(31.38 * 0.9761)
    assert judged["expected"][0] < judged["expected"][1] < judged["expected"][2]
    poor = booked("record", "product-assay", "B1/au-1", "--metal", "Au", "--value", "80 %", "--u", "0.5 %")
    assert "! B1/au-1: 80.00 % Au, forecast" in poor.out
    assert "hardly expected" in poor.out
    assert "Look at the form" in " ".join(poor.out.split())


def test_papers_that_contradict_each_other_are_named_and_nothing_is_shown(booked: Run) -> None:
    for value in ("93 %", "97 %"):
        words = ("record", "product-assay", "B1/au-1", "--metal", "Au", "--value", value, "--u", "0.2 %", "--later")
        assert booked(*words).code == 0
    shown = booked("grades", "fingers-memory")
    assert shown.code == 5
    assert "assay of B1/au-1, 93 % Au" in " ".join(shown.err.split())
    assert booked("undo", "14").code == 0
    assert booked("amend", "13", "share=90 %").code == 0
    assert booked("settle", "B1/au-1", "--received", "10.9 g", "--melted", "10.85 g", "--assay", "Au=.99",
                  "--paid", "0", "--later", "--sure").code == 0  # fmt: skip
    shown = booked("grades", "fingers-memory")
    assert shown.code == 5
    assert "settlement, 10.85 g of 99 % Au" in " ".join(shown.err.split())
