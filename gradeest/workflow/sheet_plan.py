"""What a sheet of notes would enter: entry by entry against the growing bench, with all that speaks against it."""

from __future__ import annotations

import math
import re
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NoReturn

from gradeest.errors import InputError, Issue, NeedsConfirmation
from gradeest.records.amending import describe
from gradeest.records.balance_rules import with_readability
from gradeest.records.findings import Findings, suggest
from gradeest.records.growing import Growing
from gradeest.records.lot_rules import BATCH_NAME
from gradeest.records.periods import looks_like_period
from gradeest.records.sheet_payloads import BY_METAL
from gradeest.records.sheets import OF_PRODUCTS, Entry, Notes, batch_key, batch_of
from gradeest.records.stock import name_products, resolve
from gradeest.units import parse_purity
from gradeest.workflow.gates import why_not_begun
from gradeest.workflow.linking import AshSaid, link_ash
from gradeest.workflow.opening import Opened
from gradeest.workflow.recording import can_be_charged, flag_sure, usual_route
from gradeest.workflow.sampling import assay_payload, plating_payload
from gradeest.workflow.settling import paper_payload, read_payable, read_price
from gradeest.workflow.sorting import weigh_payload

MARK = "from_sheet"  # where a payload says which rows of which file it comes from
PAPER_FIELDS = ("fineness", "payable", "price")  # what each of these columns is called in a paper's answers
SHOWN = "import"  # under which the ledger remembers what headings mean


class AlreadyThereError(InputError):
    """Rows of the sheet are in the ledger already; `others` are not."""

    def __init__(self, message: str, hint: str, others: int) -> None:
        super().__init__(message, hint)
        self.others = others


@dataclass
class Step:
    """An entry as it goes into the ledger."""

    entry: Entry
    number: int
    kind: str
    payload: dict[str, Any]


@dataclass
class Plan:
    """Grows the bench entry by entry, and gathers what speaks against each."""

    opened: Opened
    notes: Notes
    sure: bool
    issues: list[Issue] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)  # batches by the sheet's name -> the ledger's
    called: dict[str, str] = field(default_factory=dict)  # new batches by the ledger's name -> as the sheet has it
    before: dict[str, str] = field(default_factory=dict)  # batches of earlier sheets
    tainted: set[str] = field(default_factory=set)  # what rests on a row that was refused
    left_out: set[int] = field(default_factory=set)
    left_events: set[int] = field(default_factory=set)
    unchecked: int = 0

    def __post_init__(self) -> None:
        events = self.opened.ledger.events()
        self.growing = Growing(events, self.opened.catalogue, self.opened.place.today)
        self.standing = [event for event in resolve(events) if MARK in event.payload]
        self.there = {mark: event for event in self.standing for mark in event.payload[MARK]["rows"]}
        for event in self.standing:
            if event.kind == "batch":
                self.before[event.payload[MARK]["batch"]] = event.payload["name"]
        self.names = dict(self.before)
        self.issues += self.notes.issues
        self.tainted |= self.notes.broken

    # -- every entry -----------------------------------------------------------------------------------------------

    def make(self) -> None:
        """All entries in order."""
        for circle in circles_of(self.notes.entries):
            names = [batch_of(entry) for entry in circle]
            path = " -> ".join([*names, names[0]])
            self._say("error", circle[0].where("charges"), f"a batch takes what it left itself in the end: {path}",
                      "one of these went in as something else")  # fmt: skip
            self.tainted |= {f"batch:{batch_key(name)}" for name in names}
        for entry in self.notes.entries:
            if not self._is_there(entry):
                self._enter(entry)
        self._ask_about_lost_rows()

    def _is_there(self, entry: Entry) -> bool:
        """Whether an entry was imported before; a lot of which only some rows were is refused."""
        known = [mark in self.there for mark in entry.marks]
        if not any(known):
            return False
        event = self.there[next(m for m in entry.marks if m in self.there)]
        self.left_events.update(self.there[mark].number for mark in entry.marks if mark in self.there)
        for row, is_known, place in zip(entry.rows, known, self._fraction_places(entry), strict=True):
            if is_known:
                self.left_out.add(row)
                continue
            message = f"lot {entry.payload['name']} is in the ledger already (event {event.number}), without this row"
            self._say("error", place, message, "put it into a lot of its own, or undo that event first")
        return True

    def _fraction_places(self, entry: Entry) -> list[str]:
        if not entry.parts:
            return [entry.places["what"]] * len(entry.rows)
        parts = [*entry.payload["fractions"], *entry.payload.get("boards", ())]
        return [entry.parts[part["name"]]["what"] for part in parts]

    def _enter(self, entry: Entry) -> None:
        needs, makes = _touches(entry)
        payload = None if needs & self.tainted else self._resolve(entry)
        if needs & self.tainted:
            self.unchecked += 1
        if payload is None:
            self.tainted |= makes
            return
        gaps = Findings()
        if entry.kind == "product":
            payload = with_readability(self.growing.bench, payload, gaps)
        found = gaps.issues + self.growing.check(entry.kind, payload, entry.date)
        if entry.kind == "batch" and (closed := why_not_begun(self.opened, payload["route"], entry.date)) is not None:
            found = [*found, closed]
        if gaps.has_errors:
            found = [issue for issue in found if issue.field != "readability_g"]  # said better already
        for issue in found:
            place = entry.where(issue.field)
            self._say(issue.severity, place, self._in_its_words(issue.message), self._in_its_words(issue.hint))
        if any(issue.severity == "error" for issue in found):
            self.tainted |= makes
            return
        payload = flag_sure(entry.kind, payload, found, sure=self.sure)
        payload[MARK] = {"file": self.notes.path.name, "rows": list(entry.marks)}
        if entry.kind == "batch":
            payload[MARK]["batch"] = batch_key(batch_of(entry))
        if entry.remark:
            payload[MARK]["note"] = entry.remark
        number = self.growing.add(entry.kind, payload, entry.date)
        self.steps.append(Step(entry, number, entry.kind, payload))

    def _say(self, severity: Any, place: str, message: str, hint: str = "") -> None:
        self.issues.append(Issue(severity, message, hint, self.notes.path.name, None, place))

    def _say_all(self, entry: Entry, err: InputError, column: str) -> None:
        """What an entry was refused for, by its cells; what names no field, by a column."""
        for issue in err.issues or (Issue("error", err.message, err.hint, field=column),):
            self._say("error", entry.where(issue.field or column), issue.message, issue.hint)

    def _in_its_words(self, text: str) -> str:
        """A message with the sheet's own names for its batches."""
        return re.sub(r"\bB[0-9]+\b", lambda found: self.called.get(found.group(), found.group()), text)

    # -- names -----------------------------------------------------------------------------------------------------

    def _resolve(self, entry: Entry) -> dict[str, Any] | None:
        """The payload with the ledger's names of batches; None where a name means nothing."""
        payload = dict(entry.payload)
        if entry.kind == "batch":
            return self._resolve_batch(entry, payload)
        if "batch" in payload:
            name = self._find(payload["batch"])
            if name is None:
                self._say("error", entry.where("batch"), f"there is no batch '{payload['batch']}'", self._hint(entry))
                return None
            payload["batch"] = name
        elif entry.sort in OF_PRODUCTS:
            payload["address"] = self._address(payload["address"])
        elif entry.sort == "settlement":
            return self._resolve_paper(entry, payload)
        elif entry.sort == "weigh":
            return self._resolve_weighing(entry, payload)
        elif entry.sort in ("assay", "ground"):
            bench, address = self.growing.bench, payload["address"]
            mass_kg = bench.fraction(address).mass_kg if address in bench.addresses() else math.inf
            payload = assay_payload(payload, self.opened.catalogue, 1000 * mass_kg)
        elif entry.sort == "plating":
            payload = plating_payload(payload, self.opened.catalogue)
        return payload

    def _resolve_paper(self, entry: Entry, payload: dict[str, Any]) -> dict[str, Any] | None:
        """A refiner's paper with what it says metal by metal; None where that cannot be read."""
        answers = {**payload, "products": [self._address(address) for address in payload["products"]]}
        told = len(self.issues)
        for column, name, read in zip(BY_METAL, PAPER_FIELDS, (parse_purity, read_payable, read_price), strict=True):
            for metal, text in payload[column].items():
                try:
                    answers[f"{metal}.{name}"] = read(text)
                except InputError as err:
                    self._say_all(entry, err, column)
        try:
            return paper_payload(answers) if len(self.issues) == told else None
        except InputError as err:
            self._say_all(entry, err, "fineness")
            return None

    def _resolve_weighing(self, entry: Entry, payload: dict[str, Any]) -> dict[str, Any] | None:
        """A part weighed off boards, with the boards that it came off; None where that is not clear."""
        del payload["address"]
        try:
            return weigh_payload(replace(self.opened, bench=self.growing.bench), **payload)
        except InputError as err:
            self._say_all(entry, err, "boards")
            return None

    def _address(self, address: str) -> str:
        """An address with the ledger's name of the batch whose product or stream it is."""
        head, _, tail = address.rpartition("/")
        name = self._find(head)
        return address if name is None or head in self.growing.bench.lots else f"{name}/{tail}"

    def _find(self, name: str) -> str | None:
        """The ledger's name of a batch: of the sheet, of an earlier one, or itself."""
        known = self.names.get(batch_key(name))
        own = name.strip().upper()
        return known or (own if own in self.growing.bench.batches else None)

    def _hint(self, entry: Entry) -> str:
        known = ", ".join(self.names) or "none yet"
        return suggest(batch_key(batch_of(entry)), self.names, f"a row of 'batch' starts it; there are: {known}")

    def _resolve_batch(self, entry: Entry, payload: dict[str, Any]) -> dict[str, Any] | None:
        name, bench = str(payload["name"]), self.growing.bench
        key, cell = batch_key(name), entry.where("batch")
        if key in self.names and key not in self.before:
            hint = "all that went into a batch in one row: LOT/FRACTION=MASS; LOT/FRACTION=MASS"
            self._say("error", cell, f"there are two batches '{name}'", hint)
            return None
        if BATCH_NAME.fullmatch(name) and name.upper() in bench.batches:
            self._say("error", cell, f"{name.upper()} is a batch of the ledger already", "a name of your own: run 7")
            return None
        if key in self.before:
            event = next(e for e in self.standing if e.payload.get("name") == self.before[key])
            message = f"a batch '{name}' of {event.happened_on} was imported before, as {self.before.pop(key)}"
            self._say("ask", cell, message, "another name if this is another one; if it is the same, amend that one")
        payload["name"] = self.growing.next_batch()
        self.names[key], self.called[payload["name"]] = payload["name"], name
        known = can_be_charged(bench)
        charges = [{**charge, "address": self._address(charge["address"])} for charge in payload["charges"]]
        payload["charges"] = [
            {**c, "mass_kg": (bench.left_kg(c["address"]) if c["address"] in known else 0.0)}
            if c["mass_kg"] is None
            else c
            for c in charges
        ]
        if (ash := payload.pop("ash", None)) is not None:
            payload["charges"] = self._link_ash(entry, payload["charges"], ash)
        if payload["route"] is None:
            payload["route"] = self._usual_route(entry, [c["address"] for c in payload["charges"]])
        return payload

    def _link_ash(self, entry: Entry, charges: list[dict[str, Any]], ash: Mapping[str, Any]) -> list[dict[str, Any]]:
        """The charges with the ash among them linked, whose filters it is of by the sheet's names or a period."""
        text = ash.get("filters")
        period = text if text is not None and looks_like_period(text) else None
        names = [name.strip() for name in re.split("[;,]", text or "") if name.strip()]
        batches = ",".join(self._find(name) or name for name in names) or None
        said = AshSaid(None if period else batches, period, ash.get("burning"), ash.get("untracked"))
        try:
            return link_ash(replace(self.opened, bench=self.growing.bench), charges, said)
        except InputError as err:
            self._say_all(entry, err, "filters")
            return charges

    def _usual_route(self, entry: Entry, addresses: list[str]) -> str:
        """The route of kinds that are all run alike, which is said; empty where the rules say why there is none."""
        bench = self.growing.bench
        if any(address not in can_be_charged(bench) for address in addresses):
            return ""
        try:
            route = usual_route(replace(self.opened, bench=bench), addresses)
        except InputError as err:
            self._say("error", entry.where("route"), err.message, "name the route")
            return ""
        if route:
            self._say("warning", entry.where("route"), f"no route is named: by the usual one of its kind, {route}")
        return route

    def _ask_about_lost_rows(self) -> None:
        """Rows of the same file that were imported and are not in it any more: changed, or taken out."""
        if not self.left_out:
            return
        marks = {mark for entry in self.notes.entries for mark in entry.marks}
        names = name_products(self.opened.ledger.events())
        for event in self.standing:
            mark = event.payload[MARK]
            if mark["file"] != self.notes.path.name or marks & set(mark["rows"]):
                continue
            message = (
                f"event {event.number} ({describe(event, names)}) came from this file, and no row says so any more"
            )
            hint = f"if the row was corrected: take it out here and `gradeest amend {event.number}`, or undo it first"
            self.issues.append(Issue("ask", message, hint, self.notes.path.name))

    # -- the end ---------------------------------------------------------------------------------------------------

    def refuse(self, *, new_only: bool) -> None:
        """Raise where anything speaks against saving."""
        name = self.notes.path.name
        errors = [issue for issue in self.issues if issue.severity == "error"]
        asks = [issue for issue in self.issues if issue.severity == "ask"]
        if errors:
            self._raise_errors([*errors, *asks], len(errors))
        if self.left_out and not new_only:
            others = self.notes.rows - len(self.left_out)
            count = f"all {self.notes.rows}" if not others else f"{len(self.left_out)} of {self.notes.rows}"
            hint = f"--new imports only the other {others}" if others else "there is nothing to import"
            message = f"{name}: {count} rows are in the ledger already (events {runs_of(self.left_events)})"
            raise AlreadyThereError(f"{message}, nothing saved", hint, others)
        if asks and not self.sure:
            hint = "if it is right as it stands, give it again with --sure"
            raise NeedsConfirmation(f"{name}: hardly credible, nothing saved yet", hint, issues=asks)

    def _raise_errors(self, issues: list[Issue], count: int) -> NoReturn:
        hint = ""
        if self.unchecked:
            hint = f"rows that rest on these ({self.unchecked}) are held against the stock once these are right"
        plural = "s" if count != 1 else ""
        raise InputError(f"{self.notes.path.name}: {count} problem{plural}, nothing saved", hint, issues)

    def save(self) -> None:
        """Everything into the ledger; the caller holds the transaction."""
        ledger, now = self.opened.ledger, self.opened.place.now
        for step in self.steps:
            event = ledger.append(
                step.kind, step.payload, happened_on=step.entry.date, recorded_at=now, uuid=str(uuid.uuid4())
            )
            assert event.number == step.number
        if self.notes.mapping and self.steps:
            content = {"file": self.notes.path.name, "mapping": dict(self.notes.mapping)}
            ledger.keep_shown(SHOWN, content, recorded_at=now)


def circles_of(entries: Iterable[Entry]) -> list[list[Entry]]:
    """Batches of a sheet that take, one from the other, what the first of them left; each circle once."""
    batches = {batch_key(batch_of(entry)): entry for entry in entries if entry.sort == "batch"}
    takes = {
        key: [head for c in entry.payload["charges"] if (head := batch_key(c["address"].rpartition("/")[0])) in batches]
        for key, entry in batches.items()
    }
    found: list[list[Entry]] = []
    done: set[str] = set()
    for start in batches:
        path, waiting = [start], [list(takes[start])]
        while path and start not in done:
            if not waiting[-1]:
                done.add(path.pop())
                waiting.pop()
                continue
            key = waiting[-1].pop()
            if key in path:
                circle = path[path.index(key) :]
                found += [[batches[one] for one in circle]] if len(circle) > 1 else []  # of one the rules tell
            elif key not in done:
                path.append(key)
                waiting.append(list(takes[key]))
    return found


def runs_of(numbers: Iterable[int]) -> str:
    """Numbers in words: "1-10, 12"."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def _touches(entry: Entry) -> tuple[set[str], set[str]]:
    """What an entry rests on and what rests on it: lots, batches, and what batches gave."""
    batch = batch_key(batch_of(entry))
    address = str(entry.payload.get("address", ""))
    lot = {f"lot:{address.partition('/')[0].lower()}"} if address else set()
    if entry.sort == "lot":
        return set(), {f"lot:{str(entry.payload['name']).lower()}"}
    if entry.sort == "batch":
        heads = {c["address"].rpartition("/")[0] for c in entry.payload["charges"]}
        left = {f"{what}:{batch_key(head)}" for head in heads for what in ("batch", "given")}
        return {f"lot:{head.partition('/')[0].lower()}" for head in heads} | left, {f"batch:{batch}"}
    if entry.sort == "settlement":
        heads = {batch_key(address.rpartition("/")[0]) for address in entry.payload["products"]}
        return {f"{what}:{head}" for head in heads for what in ("batch", "given")}, set()
    if entry.sort in OF_PRODUCTS:
        return {*lot, f"batch:{batch}", f"given:{batch}"}, set()
    if entry.sort in ("more", "split", "weigh"):
        return lot, lot
    if entry.sort == "close":
        return {f"batch:{batch}", f"given:{batch}"}, set()
    if batch:
        says_no_more = entry.sort in ("spot-test", "hours", "cost", "waste")
        return {f"batch:{batch}"}, set() if says_no_more else {f"given:{batch}"}
    return lot, set()
