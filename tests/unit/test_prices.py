"""The prices file: written, read back, and refused with every problem at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from gradeest.decision.price_file import format_prices, parse_metal_price, read_prices, write_prices
from gradeest.decision.prices import Prices, apply_change
from gradeest.errors import InputError
from gradeest.materials.catalogue import Catalogue, load_catalogue

OZT_G = 31.1034768  # troy ounce, exact


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture
def filled(tmp_path: Path, catalogue: Catalogue) -> Path:
    """A new file with round, invented metal prices typed in."""
    path = tmp_path / "prices.toml"
    write_prices(path, catalogue)
    text = path.read_text(encoding="utf-8")
    for metal, price in (("Au", "100 / g"), ("Ag", "31.1034768 / ozt"), ("Pd", "35 per g")):
        text = text.replace(f'{metal} = ""', f'{metal} = "{price}"')
    path.write_text(text, encoding="utf-8")
    return path


def refusal(path: Path, catalogue: Catalogue) -> InputError:
    with pytest.raises(InputError) as refused:
        read_prices(path, catalogue)
    return refused.value


def change(path: Path, old: str, new: str) -> Path:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


def test_a_new_file_has_no_metal_price_and_every_other_row(tmp_path: Path, catalogue: Catalogue) -> None:
    path = tmp_path / "prices.toml"
    write_prices(path, catalogue)
    error = refusal(path, catalogue)
    assert [issue.field for issue in error.issues] == ["metals.Au", "metals.Ag", "metals.Pd"]
    lines = path.read_text(encoding="utf-8").splitlines()
    for issue in error.issues:
        assert lines[issue.line - 1].startswith(issue.field[-2:])
        assert "0 if you do not sell it" in issue.hint


def test_the_money_of_a_metal_without_a_price_is_left_out_and_it_is_said(filled: Path, catalogue: Catalogue) -> None:
    text = filled.read_text(encoding="utf-8")
    row = next(line for line in text.splitlines() if line.startswith("Pd = "))  # the prices come first
    for without in ("", 'Pd = ""'):
        filled.write_text(text.replace(row, without, 1), encoding="utf-8")
        prices = read_prices(filled, catalogue)
        assert prices.metal_per_g["Pd"] == 0
        assert ["metals.Pd: no price" in str(issue) for issue in prices.warnings].count(True) == 1


def test_what_was_written_reads_back_as_the_priors(filled: Path, catalogue: Catalogue) -> None:
    prices = read_prices(filled, catalogue)
    assert prices.metal_per_g == pytest.approx({"Au": 100.0, "Ag": 1.0, "Pd": 35.0})
    assert set(prices.routes) == set(catalogue.routes)
    row, prior = prices.routes["foils-peroxide"].hours_per_kg, catalogue.shares["hours-per-kg:foils-peroxide"]
    assert (row.q5, row.q50, row.q95) == (prior.q5, prior.q50, prior.q95)
    assert prices.payable["Au"].q50 == catalogue.shares["payable:Au"].q50
    assert prices.as_is_share["cpu-ceramic"].q50 == catalogue.shares["as-is:cpu-ceramic"].q50
    assert prices.warnings == ()


def test_rows_still_as_shipped_are_told_from_the_users_own(filled: Path, catalogue: Catalogue) -> None:
    before = set(read_prices(filled, catalogue).assumed)
    change(filled, "hours_fixed = [3, 5, 10]", "hours_fixed = 4")
    change(filled, "# iron-pieces = 0.00", "iron-pieces = 2")
    change(filled, "soda = [1, 2.5, 6]", "soda = 1.8")
    found = read_prices(filled, catalogue)
    assert before - set(found.assumed) == {"routes.foils-peroxide.hours_fixed", "items.soda"}
    assert (found.items["iron-pieces"].q50, found.items["soda"].q50) == (2.0, 1.8)
    assert "copper-pieces" not in found.items  # no metal price is shipped, not even of copper
    assert not any(key.startswith("metals") for key in before)


def test_money_rows_of_a_route_are_the_users_own_or_counted_item_by_item(filled: Path, catalogue: Catalogue) -> None:
    before = read_prices(filled, catalogue).routes["foils-peroxide"]
    assert (before.cost_fixed, before.cost_per_kg) == (None, None)
    change(filled, "# cost_fixed = 0.00", "cost_fixed = 22")  # of the first route, foils-peroxide
    after = read_prices(filled, catalogue).routes["foils-peroxide"]
    assert after.cost_fixed is not None
    assert (after.cost_fixed.q50, after.cost_per_kg) == (22.0, None)


def test_a_row_left_out_is_taken_from_the_priors_and_said(tmp_path: Path, catalogue: Catalogue) -> None:
    path = tmp_path / "short.toml"
    path.write_text('currency = "EUR"\n[metals]\nAu = "90/g"\nAg = 0\nPd = "30 EUR/g"\n', encoding="utf-8")
    prices = read_prices(path, catalogue)
    assert prices.metal_per_g == {"Au": 90.0, "Ag": 0.0, "Pd": 30.0}
    assert prices.settlement_fee.q50 == catalogue.shares["lot-fee"].q50
    assert "settlement.fee" in prices.assumed


@pytest.mark.parametrize(
    ("text", "per_g"),
    [
        ("100 / g", 100),
        ("3110.34768 / ozt", 100),
        ("3110.34768 USD per ozt", 100),
        ("USD 100/g", 100),
        ("100000 / kg", 100),
        ("1,5 / g", 1.5),
        ("155.517384 / dwt", 100),
    ],
)
def test_a_metal_price_with_its_unit(text: str, per_g: float) -> None:
    # Troy ounce 31.1034768 g and pennyweight 1.55517384 g are exact by definition.
    assert parse_metal_price(text, "USD") == pytest.approx(per_g, rel=1e-9)


@pytest.mark.parametrize(
    "text",
    [100, "100", "", "100 / oz", "100 / h", "100 / g/t", "-3 / g", "100 EUR / g", "gold", True, None, ["100 / g"]],
)
def test_a_metal_price_without_or_with_a_wrong_unit_is_refused(text: object) -> None:
    with pytest.raises(InputError) as refused:
        parse_metal_price(text, "USD")
    assert refused.value.hint


def test_a_plain_ounce_is_asked_about() -> None:
    with pytest.raises(InputError, match="two things") as refused:
        parse_metal_price("3110 / oz", "USD")
    assert "ozt" in refused.value.hint


def test_every_problem_is_said_at_once_with_its_line(filled: Path, catalogue: Catalogue) -> None:
    change(filled, 'Au = "100 / g"', "Au = 3110")
    change(filled, "fee = [50, 80, 150]", "fee = -5")
    change(filled, "Au = [0.95, 0.975, 0.99]", "Au = 97.5")
    change(filled, "# cost_fixed = 0.00", "cost_fixed = [60, 30, 15]")
    change(filled, "hours_per_kg = [0.5, 1.2, 3]", 'hours_per_kg = "a while"')
    change(filled, "[routes.pins-nitric]", "cost_perkg = 3\n\n[routes.pins-nitric]")
    issues = refusal(filled, catalogue).issues
    assert sorted(issue.field for issue in issues) == [
        "metals.Au",
        "routes.foils-peroxide.cost_fixed",
        "routes.foils-peroxide.cost_perkg",
        "routes.foils-peroxide.hours_per_kg",
        "settlement.fee",
        "settlement.payable.Au",
    ]
    lines = filled.read_text(encoding="utf-8").splitlines()
    for issue in issues:
        assert issue.file == str(filled)
        assert issue.field.rpartition(".")[2] in lines[issue.line - 1]
        assert issue.hint
    unknown = next(issue for issue in issues if issue.field.endswith("perkg"))
    assert "cost_per_kg" in unknown.hint


@pytest.mark.parametrize("bad", ["nan", "inf", "true", "[1, 2]", "[0, 1, 2]", "[1, 2, 2]", "[1, 2, 3, 4]", "{ a = 1 }"])
def test_amounts_that_cannot_be_are_refused(filled: Path, catalogue: Catalogue, bad: str) -> None:
    change(filled, "fee = [50, 80, 150]", f"fee = {bad}")
    assert refusal(filled, catalogue).issues[0].field.startswith("settlement.fee")


def test_shares_may_be_typed_as_per_cent(filled: Path, catalogue: Catalogue) -> None:
    change(filled, "Au = [0.95, 0.975, 0.99]", 'Au = "97.5 %"')
    assert read_prices(filled, catalogue).payable["Au"].q50 == pytest.approx(0.975)


def test_a_route_without_hours_is_refused(filled: Path, catalogue: Catalogue) -> None:
    change(filled, "hours_fixed = [3, 5, 10]", "hours_fixed = 0")
    change(filled, "hours_per_kg = [0.5, 1.2, 3]", "hours_per_kg = 0")
    assert "hours" in refusal(filled, catalogue).issues[0].message


def test_gold_no_dearer_than_silver_is_said(filled: Path, catalogue: Catalogue) -> None:
    change(filled, 'Au = "100 / g"', 'Au = "100 / kg"')
    prices = read_prices(filled, catalogue)
    assert len(prices.warnings) == 1
    assert "units" in prices.warnings[0].hint


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"Au = 100 / g", "line"),
        (b"\xff\xfe\x00", "UTF-8"),
        (b"[metals", "not readable"),
        (b"metals = 3", "metals"),
        (b"[time]\nhours_rate = 12,5", "a number has a point here"),
    ],
)
def test_a_file_that_is_no_prices_file(tmp_path: Path, catalogue: Catalogue, content: bytes, word: str) -> None:
    path = tmp_path / "prices.toml"
    path.write_bytes(content)
    error = refusal(path, catalogue)
    assert word in " ".join([error.message, error.hint, *map(str, error.issues)])


def test_a_missing_file_names_the_command_that_writes_one(tmp_path: Path, catalogue: Catalogue) -> None:
    assert "prices new" in refusal(tmp_path / "none.toml", catalogue).hint


def test_a_file_that_is_there_is_not_overwritten_unless_told(filled: Path, catalogue: Catalogue) -> None:
    before = filled.read_text(encoding="utf-8")
    with pytest.raises(InputError, match="not overwritten"):
        write_prices(filled, catalogue)
    assert filled.read_text(encoding="utf-8") == before
    write_prices(filled, catalogue, replace_old=True)
    assert filled.read_text(encoding="utf-8") == format_prices(catalogue, "USD")
    assert [p.name for p in filled.parent.iterdir()] == [filled.name]


def test_a_folder_that_is_not_there_is_a_persons_mistake(tmp_path: Path, catalogue: Catalogue) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_prices(tmp_path / "nowhere" / "prices.toml", catalogue)


@pytest.fixture
def prices(filled: Path, catalogue: Catalogue) -> Prices:
    return read_prices(filled, catalogue)


@pytest.mark.parametrize(
    ("typed", "metal", "per_g"),
    [
        ("Au=-12%", "Au", 88.0),
        ("au = -12 %", "Au", 88.0),
        ("Pd=+10%", "Pd", 38.5),
        ("Au=110/g", "Au", 110.0),
        ("Ag=62.2069536 / ozt", "Ag", 2.0),
        ("Au=\N{MINUS SIGN}12%", "Au", 88.0),
        ("Au=-100%", "Au", 0.0),
    ],
)
def test_a_change_is_tried_on_a_copy(prices: Prices, typed: str, metal: str, per_g: float) -> None:
    before = dict(prices.metal_per_g)
    tried = apply_change(prices, typed)
    assert tried.metal_per_g[metal] == pytest.approx(per_g)
    assert prices.metal_per_g == before
    assert tried.changes == (typed,)
    assert {m: p for m, p in tried.metal_per_g.items() if m != metal} == {m: p for m, p in before.items() if m != metal}


def test_several_changes_in_one(prices: Prices) -> None:
    tried = apply_change(prices, "Au=-12%; Pd=+10%")
    assert tried.metal_per_g == pytest.approx({"Au": 88.0, "Ag": 1.0, "Pd": 38.5})


@pytest.mark.parametrize("typed", ["", "Au", "Au=", "Rh=5%", "Au=-120%", "Au=twelve%", "Au=12", "Au=nan%"])
def test_a_change_that_cannot_be_tried_is_refused(prices: Prices, typed: str) -> None:
    with pytest.raises(InputError) as refused:
        apply_change(prices, typed)
    assert all(issue.hint and issue.field == "--if" for issue in refused.value.issues)


def test_prices_are_kept_as_plain_values(prices: Prices) -> None:
    import json

    kept = json.loads(json.dumps(apply_change(prices, "Au=-12%").as_dict()))
    assert kept["metal_per_g"]["Au"] == pytest.approx(88.0)
    assert kept["routes"]["foils-peroxide"]["hours_fixed"] == [3, 5, 10]
    assert kept["changes"] == ["Au=-12%"]
