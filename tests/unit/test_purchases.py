"""Rows of what a batch uses up: every fault is named with its file and field, at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue
from gradeest.materials.purchases import TABLES

TAIL = "judgement,judgement,"


def overlay(folder: Path, **files: str) -> Path:
    """A folder whose files hold these rows below the right first line."""
    for name, rows in files.items():
        head = ",".join(TABLES[f"{name}.csv"][0])
        (folder / f"{name}.csv").write_text(f"{head}\n{rows}\n", encoding="utf-8")
    return folder


def faults(folder: Path) -> dict[str, str]:
    with pytest.raises(InputError) as refused:
        load_catalogue(folder)
    return {f"{Path(issue.file).name}:{issue.field}": f"{issue.message} {issue.hint}" for issue in refused.value.issues}


def test_a_row_of_ones_own_replaces_the_shipped_one(tmp_path: Path) -> None:
    folder = overlay(
        tmp_path,
        base_metals=f"fingers-flash,Cu,0.2,0.3,0.4,{TAIL}",
        uses=f"pins-nitric,nitric-acid,nitric,1,1.1,1.2,{TAIL}",
    )
    found = load_catalogue(folder)
    assert set(found.base_metals["fingers-flash"]) == {"Cu"}  # a kind's own rows stand for all of its base metal
    (use,) = [u for u in found.uses if (u.route, u.item, u.by) == ("pins-nitric", "nitric-acid", "nitric")]
    assert use.amount.q50 == 1.1
    assert found.version != load_catalogue().version


def test_what_cannot_be_is_said_at_once(tmp_path: Path) -> None:
    shipped = load_catalogue().items["soda"]
    assert shipped.formula == "Na2CO3"
    folder = overlay(
        tmp_path,
        base_metals=f"fingers,Xx,0.1,0.2,0.3,{TAIL}\nnobody,Cu,0.5,0.2,1.5,{TAIL}",
        uses="\n".join(
            [
                f"pins-nitric,salt,nitric,1,2,3,{TAIL}",  # no equation of the family takes it
                f"pins-nitric,nitric-acid,wishing,1,2,3,{TAIL}",
                f"pins-nitric,filters,acidity,1,2,3,{TAIL}",
                f"nowhere,filters,batch,1,2,3,{TAIL}",
            ]
        ),
    )
    told = faults(folder)
    assert set(told) == {
        "base_metals.csv:metal", "base_metals.csv:of", "base_metals.csv:q95", "uses.csv:item", "uses.csv:by",
        "uses.csv:route",
    }  # fmt: skip
    assert "one of: batch, kg" in told["uses.csv:by"]


def test_a_class_without_base_metal_is_a_fault(tmp_path: Path) -> None:
    (tmp_path / "classes.csv").write_text("id,name\nradios,radio parts\n", encoding="utf-8")
    head, row = (
        (Path(__file__).resolve().parents[2] / "priors" / "kinds.csv").read_text(encoding="utf-8").splitlines()[:2]
    )
    (tmp_path / "kinds.csv").write_text(
        f"{head}\n{row.replace('fingers-mixed,fingers,', 'fingers-mixed,radios,')}\n", encoding="utf-8"
    )
    told = faults(tmp_path)
    assert any("'radios' holds of base metal" in text for text in told.values())
