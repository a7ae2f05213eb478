"""`plan` and `bid` as typed: what they print and refuse, and that they keep to the ranking's own numbers."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Run

PRICES = 'currency = "EUR"\n[metals]\nAu = "80 / g"\nAg = "1 / g"\nPd = "30 / g"\n'  # invented


@pytest.fixture
def priced(bench: Run, tmp_path: Path) -> Run:
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    return bench


def test_the_plan_takes_its_numbers_from_the_ranking(priced: Run) -> None:
    rank, plan = priced("rank", "--json").json, priced("plan", "--hours", "200", "--json").json
    rows = {row["address"]: row for row in rank["ranking"]["rows"]}
    done = [step for step in plan["steps"] if step["action"] == "process"]
    assert [step["address"] for step in done] == [a for a, row in rows.items() if row["verdict"] == "process"]
    for step in plan["steps"]:
        assert step["gain"] == rows[step["address"]]["gain"]
    actions = {step["address"]: step["action"] for step in plan["steps"]}
    assert actions["shed/tilt"] == "leave"  # mercury: never in a plan
    assert all(rows[a]["verdict"] == "sample first" for a, action in actions.items() if action == "test first")


def test_the_head_of_a_ranking_says_what_an_hour_counts(priced: Run, tmp_path: Path) -> None:
    free = priced("rank", "--json").json["ranking"]
    assert "an hour counts" not in priced("rank").out
    (tmp_path / "prices.toml").write_text(PRICES + "[time]\nhours_rate = 15\n", encoding="utf-8")
    shown, paid = priced("rank"), priced("rank", "--json").json["ranking"]
    assert "an hour counts 15" in shown.out
    assert all(len(line) <= 80 for line in shown.out.splitlines())
    gains = [{row["address"]: row["gain"] for row in each["rows"] if row["gain"]} for each in (free, paid)]
    hours = {row["address"]: row["hours"] for row in paid["rows"] if row["hours"]}
    for address, gain in gains[0].items():
        assert gain["mean"] - gains[1][address]["mean"] == pytest.approx(15 * hours[address]["mean"], rel=0.05)


def test_the_unit_in_which_masses_are_typed_changes_no_ranking(priced: Run, tmp_path: Path) -> None:
    kilos = priced("rank", "--json").json["ranking"]["rows"]
    text = (tmp_path / "shed.toml").read_text(encoding="utf-8")
    for old, new in {"1.2 kg": "1200 g", "800 g": "0.8 kg", "150 g": f"{150 / 453.59237!r} lb"}.items():
        assert old in text
        text = text.replace(f'"{old}"', f'"{new}"')
    (tmp_path / "shed.toml").write_text(text, encoding="utf-8")
    ledger = ("--ledger", str(tmp_path / "other.ledger"))
    assert priced("lot", "add", "shed.toml", *ledger).code == 0
    others = priced("rank", "--json", *ledger).json["ranking"]["rows"]
    assert [(row["address"], row["rank"], row["verdict"]) for row in kilos] == [
        (row["address"], row["rank"], row["verdict"]) for row in others
    ]
    for row, other in zip(kilos, others, strict=True):
        assert row["gain"] is None or row["gain"]["mean"] == pytest.approx(other["gain"]["mean"], rel=1e-6)


def test_a_careful_ranking_says_which_bet_it_means_and_refuses_other_words(priced: Run) -> None:
    shown = priced("rank", "--careful", "high", "--per", "kg")
    assert shown.code == 0
    assert "an even chance to win" in " ".join(shown.out.split())
    assert "per kg" in shown.out
    assert all(len(line) <= 80 for line in shown.out.splitlines())
    refused = priced("rank", "--careful", "very", "--per", "gram")
    assert refused.code == 3
    assert "--careful: 'very'" in refused.err
    assert "--per: 'gram'" in refused.err


def test_a_plan_too_small_for_anything_says_what_more_hours_would_bring(priced: Run) -> None:
    plan = priced("plan", "--hours", "0.5", "--json").json
    assert {step["action"] for step in plan["steps"]}.isdisjoint({"process"})
    (use,) = plan["uses"]
    shown = priced("plan", "--hours", "0.5")
    assert shown.code == 0
    assert "process nothing" in shown.out
    if use["next"] is not None:
        again = priced("plan", "--hours", str(0.5 + use["next"]["extra"] * 1.001), "--json").json
        assert again["gain"]["mean"] == pytest.approx(use["next"]["gain"], rel=1e-6)


def test_what_must_be_in_a_plan_and_cannot_be_is_told_with_by_how_much(priced: Run) -> None:
    ran = priced("plan", "--hours", "1", "--must", "shed/strips")
    assert ran.code == 6
    assert "more than 1" in ran.err
    blocked = priced("plan", "--must", "shed/tilt", "--must", "shed/nothing")
    assert blocked.code == 3
    assert "shed/tilt" in blocked.err
    assert "shed/nothing" in blocked.err
    assert priced("plan", "--hours=-1", "--cash=-2").err.count("type a number from 0 on") == 2
    wrong = priced("plan", "--days=-1", "--at-once=0", "--fee=-3").err
    assert [wrong.count(name) for name in ("--days", "--at-once", "--fee")] == [1, 1, 1]
    assert "--days 30" in priced("plan", "--at-once=2").err


def test_runs_that_wait_side_by_side_fit_into_fewer_days(priced: Run, tmp_path: Path) -> None:
    dear = PRICES.replace("80 / g", "300 / g").replace("30 / g", "300 / g")
    (tmp_path / "prices.toml").write_text(dear, encoding="utf-8")

    def runs(*words: str) -> tuple[set[str], float]:
        plan = priced("plan", *words, "--json").json
        (days,) = (use for use in plan["uses"] if use["limit"] == "days")
        return {step["address"] for step in plan["steps"] if step["action"] == "process"}, days["expected"]

    everything, after = runs("--days", "60")
    assert len(everything) == 2
    both, beside = runs("--days", "60", "--at-once", "2")
    assert both == everything
    assert beside < after
    between = str((beside + after) / 2)
    assert len(runs("--days", between)[0]) == 1
    assert runs("--days", between, "--at-once", "2")[0] == everything
    assert "2 runs are going at once" in " ".join(priced("plan", "--days", between, "--at-once", "2").out.split())


def test_a_limit_of_a_reagent_holds_and_is_told_in_whole_packs_for_the_budget(priced: Run, tmp_path: Path) -> None:
    (tmp_path / "prices.toml").write_text(PRICES.replace("80 / g", "300 / g"), encoding="utf-8")
    free = priced("plan", "--json").json
    assert free["headed"] == ""
    assert any(step["address"] == "shed/strips" and step["action"] == "process" for step in free["steps"])
    shown = priced("plan", "--limit", "hydrochloric acid=0 L", "--days", "60", "--json").json
    assert shown["headed"] == "for the budget, not for dosing"
    uses = {use["limit"]: use for use in shown["uses"]}
    assert set(uses) == {"days", "hydrochloric acid"}
    assert uses["hydrochloric acid"]["expected"] == 0
    assert next(step for step in shown["steps"] if step["address"] == "shed/strips")["action"] == "wait"
    more = uses["hydrochloric acid"]["next"]
    assert more["extra"] == int(more["extra"]) > 0
    text = priced("plan", "--limit", "hydrochloric-acid=20 L").out
    assert "Reagents in whole packs, for the budget, not for dosing" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    refused = priced("plan", "--must", "shed/strips", "--limit", "hydrochloric acid=0", "--days", "1")
    assert refused.code == 6
    assert "hydrochloric acid: " in refused.err
    assert "days: " in refused.err
    wrong = priced("plan", "--limit", "nitrc acid=2 L", "--limit", "soda", "--limit", "filter papers=x")
    assert wrong.code == 3
    assert wrong.err.count("--limit") == 3
    assert "did you mean nitric acid" in wrong.err


def test_what_the_bench_has_no_licence_for_is_a_limit_of_zero_and_said(priced: Run, tmp_path: Path) -> None:
    (tmp_path / "prices.toml").write_text(PRICES.replace("30 / g", "300 / g"), encoding="utf-8")
    assert "if you may not hold it" in " ".join(priced("plan", "--limit", "nitric acid=9 L").out.split())
    assert priced("bench", "set", "licence", "no").code == 0
    plan = priced("plan", "--json").json
    (use,) = plan["uses"]
    assert (use["limit"], use["most"], use["is_barred"], use["next"]) == ("nitric acid", 0, True, None)
    rank = {row["address"]: row["verdict"] for row in priced("rank", "--json").json["ranking"]["rows"]}
    step = next(step for step in plan["steps"] if step["address"] == "shed/caps")
    assert (rank["shed/caps"], step["action"], "no licence" in step["why"]) == ("process", "leave", True)
    must = priced("plan", "--must", "shed/caps")
    assert must.code == 6
    assert "nitric acid" in must.err
    assert "no licence" in " ".join(priced("plan").out.split())
    assert priced("bench", "set", "licence", "seen by the authority").code == 0
    allowed = priced("plan", "--json").json
    assert allowed["uses"] == []
    assert next(step for step in allowed["steps"] if step["address"] == "shed/caps")["action"] == "process"


def test_without_prices_there_is_no_plan_and_no_bid(bench: Run) -> None:
    assert bench("plan").code == 3
    assert bench("bid", "shed.toml").code == 3


def test_a_bid_saves_nothing_and_needs_no_ledger(bench: Run, tmp_path: Path) -> None:
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    before = bench("history", "--json").json
    with_ledger = bench("bid", "shed.toml", "--json").json
    assert bench("history", "--json").json == before
    (tmp_path / "gradeest.ledger").unlink()
    ran = bench("bid", "shed.toml")
    assert ran.code == 0, ran.err
    assert not (tmp_path / "gradeest.ledger").exists()
    uses = {part["address"]: part["use"] for part in with_ledger["bid"]["parts"]}
    assert uses["tilt"] == "not counted"
    assert with_ledger["bid"]["asked"]["price"] == 40  # the file's price_paid
    assert "At most" in ran.out or "No bid" in ran.out
    assert all(len(line) <= 80 for line in ran.out.splitlines())


def test_a_bid_learns_from_the_bench(priced: Run) -> None:
    before = priced("bid", "shed.toml", "--json").json["bid"]["highest"]["price"]
    assay = ("--metal", "Au", "--value", "9000 g/t", "--u", "5 %", "--later", "--sure")
    assert priced("record", "assay", "shed/strips", *assay).code == 0
    assert priced("bid", "shed.toml", "--json").json["bid"]["highest"]["price"] > before


def test_a_wished_chance_that_cannot_be_is_refused(priced: Run) -> None:
    assert priced("bid", "shed.toml", "--chance", "1.5").code == 3
    assert priced("bid", "nothing.toml").code == 3


def test_tests_keep_to_their_bounds_and_name_a_size(priced: Run) -> None:
    shown = priced("test-first", "shed/strips", "--json").json
    (row,) = shown["rows"]
    assert {option["sort"] for option in row["options"]} == {"assay", "trial run"}
    for option in row["options"]:
        assert 0 <= option["worth"] <= row["perfect"] + 3 * (row["perfect_mcse"] + option["worth_mcse"])
        assert option["net"] == pytest.approx(option["worth"] - option["cost"])
    rank = priced("rank", "--json").json["ranking"]["rows"]
    assert row["gain"] == next(r["gain"] for r in rank if r["address"] == "shed/strips")
    every = priced("test-first")
    assert every.code == 0
    assert "do " in every.out
    assert all(len(line) <= 80 for line in every.out.splitlines())
    dear = priced("test-first", "--fee", "100000", "--json").json
    assert all(r["advice"].startswith("do not") for r in dear["rows"])


def test_what_must_not_be_processed_is_not_tested_for_it(priced: Run) -> None:
    refused = priced("test-first", "shed/tilt")
    assert refused.code == 3
    assert "cannot be tested" in refused.err
    assert priced("test-first", "--u", "5").code == 3


def test_saving_up_keeps_to_the_storage_clock_and_refuses_what_is_refused(priced: Run) -> None:
    shown = priced("save-up", "fingers-memory", "--monthly", "350 g", "--volatility", "16 %", "--json").json
    assert [row["months"] for row in shown["rows"]] == list(range(1, 13))
    assert shown["knee"] is not None
    assert priced("bench", "set", "storage-clock", "31 days").code == 0
    short = priced("save-up", "fingers-memory", "--monthly", "350 g", "--json").json
    assert (short["clock_months"], short["knee"] in (1, None)) == (1, True)
    text = priced("save-up", "fingers-memory", "--monthly", "350 g")
    assert "storage clock" in text.out
    assert all(len(line) <= 80 for line in text.out.splitlines())
    for kind in ("relays-mercury", "fingers-memry"):
        assert priced("save-up", kind, "--monthly", "350 g").code == 3
    assert priced("save-up", "fingers-memory", "--monthly", "0 g").code == 3


def test_one_table_holds_all_uses_with_the_numbers_of_the_other_commands(priced: Run) -> None:
    shown = priced("compare", "shed/strips", "--monthly", "350 g", "--fee", "5", "--json").json
    uses = {use["name"]: use for use in shown["uses"]}
    assert set(uses) == {"process", "assay first", "trial first", "sell", "save up", "keep"}
    assert sum(use["is_best"] for use in uses.values()) == 1
    worths = [use["worth"] for use in shown["uses"] if use["worth"] is not None]
    assert worths == sorted(worths, reverse=True)
    row = next(r for r in priced("rank", "--json").json["ranking"]["rows"] if r["address"] == "shed/strips")
    assert uses["process"]["worth"] == pytest.approx(row["gain"]["mean"] + row["alternative_value"]["mean"])
    assert uses["sell"]["worth"] == pytest.approx(row["alternative_value"]["mean"])
    tested = priced("test-first", "shed/strips", "--fee", "5", "--json").json["rows"][0]
    now = max(uses["process"]["worth"], uses["sell"]["worth"])
    for name, sort in (("assay first", "assay"), ("trial first", "trial run")):
        net = max(option["net"] for option in tested["options"] if option["sort"] == sort)
        assert uses[name]["worth"] == pytest.approx(now + net)
    without_fee = priced("compare", "shed/strips")
    assert "its fee is not known" in without_fee.out
    assert all(len(line) <= 80 for line in without_fee.out.splitlines())


def test_every_buyer_who_takes_it_as_it_is_has_a_row_of_its_own(priced: Run, tmp_path: Path) -> None:
    north = '[buyers.north]\npayable.Au = 0.9\nfee = 20\ntakes_as_is = ["fingers-memory", "relays-mercury"]\n'
    south = "[buyers.south]\npayable.Au = 0.95\nfee = 60\n"
    (tmp_path / "prices.toml").write_text(PRICES + north + south, encoding="utf-8")
    uses = {use["name"]: use for use in priced("compare", "shed/strips", "--json").json["uses"]}
    assert {"sell to north", "sell"} < set(uses)
    assert "sell to south" not in uses
    row = next(r for r in priced("rank", "--json").json["ranking"]["rows"] if r["address"] == "shed/strips")
    best = max(uses[name]["worth"] for name in ("sell to north", "sell"))
    assert row["alternative_value"]["mean"] == pytest.approx(best)
    assert any(name in uses["process"]["remark"] for name in ("to north", "to south"))
    refused = {use["name"]: use["worth"] for use in priced("compare", "shed/tilt", "--json").json["uses"]}
    assert set(refused) == {"process", "sell to north", "keep"}  # at terms of one's own, never by a guess
    assert refused["process"] is None


def test_what_must_not_be_processed_is_compared_without_it(priced: Run) -> None:
    uses = priced("compare", "shed/tilt", "--json").json["uses"]
    assert [(use["name"], use["worth"]) for use in uses] == [("process", None)]  # refused outright: no price either
    assert priced("compare", "shed/nothing").code == 3
    assert priced("compare", "shed/strips", "--monthly", "0 g").code == 3
    wrong = priced("compare", "shed/strips", "--monthly", "abc", "--fee", "-1", "--volatility", "16")
    assert wrong.code == 3
    assert all(name in wrong.err for name in ("--monthly", "--fee", "--volatility"))


def test_saving_up_one_fraction_knows_the_price_and_what_the_clock_leaves(priced: Run) -> None:
    words = ("compare", "shed/strips", "--monthly", "350 g", "--json")

    def saved(*more: str) -> dict[str, Any]:
        return next(use for use in priced(*words, *more).json["uses"] if use["name"] == "save up")

    still, moving = saved(), saved("--volatility", "60 %")
    assert moving["worth"] == pytest.approx(still["worth"], abs=4 * (still["mcse"] + moving["mcse"]))
    assert moving["spread"]["q95"] > still["spread"]["q95"]
    age = (dt.date.today() - dt.date(2024, 1, 5)).days
    assert priced("bench", "set", "storage-clock", f"{age + 10} days").code == 0
    over = saved()
    assert over["worth"] is None
    assert f"{age} of {age + 10} days" in over["remark"]
    assert priced("bench", "set", "storage-clock", f"{age + 40} days").code == 0
    assert "within 1 month;" in saved()["remark"]


@pytest.mark.parametrize(
    "words",
    [("rank",), ("rank", "--careful", "high", "--per", "acid"), ("plan",), ("plan", "--hours", "3", "--days", "3"),
     ("plan", "--limit", "nitric acid=1 L"), ("compare", "m/chips", "--monthly", "20 g"), ("test-first",)],
)  # fmt: skip
def test_where_nothing_may_be_processed_that_is_the_answer(run: Run, tmp_path: Path, words: tuple[str, ...]) -> None:
    fraction = '[[fraction]]\nname = "{}"\nkind = "{}"\nmass = "1 kg"\n'
    lot = 'name = "m"\n' + fraction.format("tilt", "relays-mercury") + fraction.format("chips", "chips-to-2008")
    (tmp_path / "m.toml").write_text(lot, encoding="utf-8")
    (tmp_path / "prices.toml").write_text(PRICES, encoding="utf-8")
    assert run("lot", "add", "m.toml").code == 0
    shown = run(*words)
    assert shown.code == 0, shown.err
    assert run(*words, "--json").code == 0


def test_a_handful_of_sweepings_is_sampled_before_it_is_put_before_the_fingers(run: Run, tmp_path: Path) -> None:
    # Invented: 0.3 kg of filter ash, the widest prior there is, against 1 kg of fingers; round prices, no least fee.
    fractions = '[[fraction]]\nname = "{}"\nkind = "{}"\nmass = "{}"\n'
    text = 'name = "tail"\n' + fractions.format("sweeps", "ash-filters", "0.3 kg") + "wet = false\n"
    (tmp_path / "tail.toml").write_text(text + fractions.format("fingers", "fingers-memory", "1 kg"), encoding="utf-8")
    money = '[metals]\nAu = "100 / g"\nAg = "1 / g"\nPd = "35 / g"\n[settlement]\nfee = 0\n'
    (tmp_path / "prices.toml").write_text(f'currency = "EUR"\n{money}', encoding="utf-8")
    assert run("lot", "add", "tail.toml").code == 0
    rows = run("rank", "--json").json["ranking"]["rows"]
    sweeps = next(row for row in rows if row["address"] == "tail/sweeps")
    assert (rows[0]["address"], rows[0]["verdict"]) == ("tail/fingers", "process")
    assert sweeps["verdict"] == "sample first"
    assert sweeps["gain_per_hour"] > rows[0]["gain_per_hour"]  # the broken twin: by the plain mean it would be first
    # Where it has to be run it comes after them all the same: it is placed by what it gains without its luck.
    forced = run("plan", "--must", "tail/sweeps", "--json").json["steps"]
    assert [(s["address"], s["order"]) for s in forced] == [("tail/fingers", 1), ("tail/sweeps", 2)]
    plan = run("plan", "--hours", "40", "--json").json
    steps = {step["address"]: step for step in plan["steps"]}
    assert {a: step["action"] for a, step in steps.items()} == {"tail/fingers": "process", "tail/sweeps": "trial"}
    (tested,) = run("test-first", "tail/sweeps", "--json").json["rows"]
    trials = [option for option in tested["options"] if option["sort"] == "trial run"]
    assert steps["tail/sweeps"]["worth"] == pytest.approx(max(option["net"] for option in trials))
    short = run("plan", "--hours", "8", "--json").json["steps"]
    left = next(step for step in short if step["address"] == "tail/sweeps")
    assert (left["action"], left["test"][:5]) == ("test first", "do it")
    fee = run("plan", "--hours", "8", "--fee", "100000", "--json").json["steps"]
    assert next(step for step in fee if step["address"] == "tail/sweeps")["test"].startswith("do not")


def test_contacts_with_cadmium_are_compared_at_the_refiners_terms(run: Run, tmp_path: Path) -> None:
    # Invented terms of the usual structure, worked by hand: 1,653 g x 95 % less the least fee of 300 are 1,270.
    lot = '[[fraction]]\nname = "points"\nkind = "contacts-agcdo"\nmass = "1.9 kg"\n'
    (tmp_path / "box.toml").write_text(f'name = "box"\ndate = 2024-01-05\n{lot}', encoding="utf-8")
    terms = "payable.Ag = 0.95\nfee = 300\nfee_per_g_received = 0.03215\n"
    buyer = f'[buyers.refiner]\n{terms}takes_as_is = ["contacts-agcdo"]\n'
    (tmp_path / "prices.toml").write_text(PRICES + buyer, encoding="utf-8")
    assert run("lot", "add", "box.toml").code == 0
    assay = ("--metal", "Ag", "--value", "870000 g/t", "--u", "0.5 %", "--date", "2024-01-09", "--later")
    assert run("record", "assay", "box/points", *assay).code == 0
    uses = {use["name"]: use for use in run("compare", "box/points", "--json").json["uses"]}
    assert uses["sell to refiner"]["worth"] == pytest.approx(1270, rel=0.02)
    melted = run("batch", "add", "--charge", "box/points", "--route", "melt-contacts", "--date", "2024-01-10")
    assert (melted.code, "STOP" in melted.err) == (3, True)


def test_while_a_trial_is_going_compare_waits_for_it(priced: Run) -> None:
    assert priced("batch", "add", "--charge", "shed/strips=0.2 kg", "--trial", "--date", "2024-01-09").code == 0
    uses = {use["name"]: use for use in priced("compare", "shed/strips", "--json").json["uses"]}
    assert uses["trial first"]["worth"] is None
    assert "wait: its trial B1 is open" in uses["trial first"]["remark"]


def test_all_that_was_typed_wrong_is_told_at_once(priced: Run) -> None:
    plan = priced(
        "plan", "--hours", "-3", "--fee", "-1", "--at-once", "0", "--limit", "nitricacid=1 L", "--must", "shed/tilt"
    )
    assert plan.code == 3
    for field in ("--hours", "--fee", "--at-once", '--limit "nitricacid=1 L"', "--must"):
        assert f"- {field}: " in plan.err
    bid = priced("bid", "shed.toml", "--chance", "nan", "--price", "-3")
    assert (bid.code, "--price" in bid.err, "--chance" in bid.err) == (3, True, True)
    test = priced("test-first", "--fee", "-60", "--u", "300 %")
    assert (test.code, "--fee" in test.err, "--u" in test.err) == (3, True, True)


def test_what_brings_only_metal_without_a_price_says_so(bench: Run, tmp_path: Path) -> None:
    (tmp_path / "prices.toml").write_text('currency = "EUR"\n[metals]\nAu = "80 / g"\n', encoding="utf-8")
    ranking = bench("rank", "--json").json["ranking"]
    caps = next(row for row in ranking["rows"] if row["address"] == "shed/caps")
    assert (caps["verdict"], caps["why"]) == ("keep", "nothing that it brings has a price here")
    assert not any("no buyer takes" in note for note in ranking["notes"])
    assert sum("no price: what it brings is left out" in note for note in ranking["notes"]) == 2
