"""Plays an invented lot into a throw-away ledger: past batches are replayed, no gate is passed."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue, nearest, shipped_folder
from gradeest.records.domain import Lot
from gradeest.records.intake import read_lot, read_replay
from gradeest.workflow.believing import state_of
from gradeest.workflow.learning import NOBODY, Learned, Recorded, is_open, learn
from gradeest.workflow.opening import Place, open_bench
from gradeest.workflow.recording import Saved, append, lot_payload, sift
from gradeest.workflow.telling import Listener

LOT_FILE, PRICES_FILE, REPLAY_FILE = "lot.toml", "prices.toml", "replay.toml"


@dataclass(frozen=True)
class DemoReady:
    """The throw-away ledger with its lot; `past` is what can be replayed."""

    place: Place
    lot: Lot
    past: tuple[tuple[str, Mapping[str, Any], dt.date], ...]
    others: tuple[str, ...]  # the other demo lots


@dataclass(frozen=True)
class DemoPlayed:
    """What was replayed and what it changed. `done` are the events in words."""

    done: tuple[str, ...]
    learned: Learned
    left: int  # events not replayed


def demo_names() -> tuple[str, ...]:
    """The demo lots that are shipped."""
    return tuple(sorted(path.name for path in shipped_folder("demo_lots").iterdir() if (path / LOT_FILE).is_file()))


def prepare_demo(place: Place, folder: Path, name: str | None = None) -> DemoReady:
    """Make a ledger in `folder` with a demo lot (the first by default) and its invented prices."""
    names = demo_names()
    name = name or names[0]
    if name not in names:
        near = nearest(name, list(names)) or list(names)
        raise InputError(f"there is no demo lot '{name}'", f"there are: {', '.join(near)}")
    source = Path(str(shipped_folder("demo_lots") / name))
    place = replace(place, ledger=folder / "gradeest.ledger")
    shutil.copyfile(source / PRICES_FILE, place.prices)
    lot, issues = read_lot(source / LOT_FILE, load_catalogue(place.priors), today=place.today)
    sift(issues, f"demo lot {name}", sure=True)
    with open_bench(place, create=True) as opened:
        append(opened, "lot", lot_payload(lot), lot.date, sure=True)
    past = tuple(read_replay(source / REPLAY_FILE))
    return DemoReady(place, lot, past, tuple(n for n in names if n != name))


def play_demo(ready: DemoReady, *, whole: bool = False, listener: Listener = NOBODY) -> DemoPlayed:
    """Replay the first past batch up to its closing (or everything), and learn from it with one fit.

    The listener's `saved` is told of each past event in words.
    """
    count = len(ready.past)
    if not whole:
        closings = [i for i, (kind, _, _) in enumerate(ready.past, start=1) if kind == "close"]
        count = closings[0] if closings else count
    with open_bench(ready.place) as opened:
        before = state_of(opened)
        saved: list[Saved] = []
        with opened.ledger.atomic():
            for kind, payload, date in ready.past[:count]:
                saved.append(append(opened, kind, payload, date, sure=True))
        batches = [s.name for s in saved if s.kind == "batch"]
        done = tuple(describe(kind, payload, date) for kind, payload, date in ready.past[:count])
        listener.saved(done)
        batch = batches[0] if len(batches) == 1 else ""
        recorded = Recorded(tuple(saved), batch, is_open(opened.bench, batch))
        learned = learn(opened, before, recorded, lot=ready.lot.name, listener=listener)
    return DemoPlayed(done, learned, len(ready.past) - count)


def describe(kind: str, payload: Mapping[str, Any], date: dt.date) -> str:
    """A past event in words."""
    if kind == "batch":
        went_in = ", ".join(f"{c['mass_kg']:g} kg of {c['address']}" for c in payload["charges"])
        return f"{date}  batch {payload['name']}: {went_in} by {payload['route']}"
    if kind == "product":
        return f"{date}  weighed from {payload['batch']}: {payload['weight_g']:g} g {payload['form']}"
    if kind == "nondetect":
        return f"{date}  no {payload['metal']} from {payload['batch']}: below {payload['below_g']:g} g"
    if kind == "assay":
        return f"{date}  assay of {payload['address']}: {payload['value_g_per_t']:g} g/t {payload['metal']}"
    return f"{date}  batch {payload['batch']} closed"
