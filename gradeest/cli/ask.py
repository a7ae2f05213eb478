"""Asking for what is missing: completely at a terminal, as one complete error in a script."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from gradeest.cli.complaints import UsageError, say, say_issue, say_wrapped
from gradeest.cli.context import parse_date
from gradeest.errors import InputError, Issue

Parse = Callable[[str], Any]


class GaveUpError(InputError):
    """The person ended the questions (end of input); nothing is saved."""


@dataclass(frozen=True)
class Question:
    """One thing to know. `key` names the answer, `option` how a script gives it.

    `choices` is (id, one line); `default` is what Enter means ("" together with `optional`: leave it out).
    """

    key: str
    option: str
    text: str
    parse: Parse = str.strip
    help: str = ""
    default: str | None = None
    optional: bool = False
    choices: tuple[tuple[str, str], ...] = ()
    quiet: bool = False  # choices are listed only when `?` is typed
    choices_from: Callable[[dict[str, Any]], tuple[tuple[str, str], ...]] | None = None  # from the answers before
    what: str = ""  # what one of `choices_from` is called; then nothing else is taken
    offered: bool = False  # the default is offered to a person, never taken unasked
    needless: Callable[[dict[str, Any]], bool] | None = None  # whether the answers before leave nothing to ask

    def given(self, answers: dict[str, Any]) -> Question:
        """The question once the answers before it are known."""
        if self.choices_from is None:
            return self
        choices = self.choices_from(answers)
        if self.what and not choices:
            raise InputError(f"there is no {self.what} to choose from", "nothing was saved")
        parse = parse_choice(choices, self.what) if self.what else self.parse
        return replace(self, choices=choices, choices_from=None, parse=parse)


DAY = Question("date", "--date", "Date", parse_date)  # given to `fill_in` as today where none was typed: never asked


def at_terminal() -> bool:
    """Whether a person can be asked."""
    return sys.stdin is not None and sys.stdin.isatty()


def read_line(prompt: str) -> str:
    """One line typed by the person; a piped stdout stays clean of prompts. Raises GaveUpError at the end of input."""
    try:
        if sys.stdout.isatty():
            return input(prompt)
        print(prompt, end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
    except EOFError:
        line = ""
    if not line:
        say()
        raise GaveUpError("the input ended: nothing was saved", "run the command again when you have the rest")
    return line.rstrip("\n")


def parse_choice(choices: Sequence[tuple[str, str]], what: str) -> Parse:
    """A parser that takes one of the ids, in any case, by its start where that is enough, or by its number."""
    from difflib import get_close_matches

    ids = [choice for choice, _ in choices]

    def parse(text: str) -> str:
        word = text.strip()
        if word.isdigit() and 1 <= int(word) <= len(ids) and word not in ids:
            return ids[int(word) - 1]
        same = [i for i in ids if i.lower() == word.lower()]
        starts = [i for i in ids if word and i.lower().startswith(word.lower())]
        if same or len(starts) == 1:
            return (same or starts)[0]
        near = starts or get_close_matches(word.lower(), ids, n=3, cutoff=0.5)
        hint = f"did you mean {' or '.join(near[:4])}?" if near else f"type one of: {', '.join(ids[:12])}"
        raise InputError(f"'{word}' is no {what}", hint)

    return parse


def parse_yes(text: str) -> bool:
    """Yes or no."""
    word = text.strip().lower()
    if word in ("y", "yes", "true", "1"):
        return True
    if word in ("n", "no", "false", "0"):
        return False
    raise InputError(f"'{text}' is neither yes nor no", "type y or n")


def ask(question: Question) -> Any:
    """Ask until the answer can be used; `?` explains. Returns the parsed answer, None for an optional one left out."""
    tail = ""
    if question.default not in (None, ""):
        tail = f" [{question.default}]"
    elif question.optional:
        tail = " [Enter: none]"
    if question.choices and not question.quiet:
        show_choices(question)
    while True:
        typed = read_line(f"{question.text}{tail}: ").strip()
        if typed == "?":
            explain(question)
            continue
        if not typed and question.optional and not question.default:
            return None
        typed = typed or question.default or ""
        if not typed:
            say("  this one is needed (? explains)")
            continue
        try:
            return question.parse(typed)
        except InputError as err:
            say_wrapped(f"{err.message}: {err.hint}" if err.hint else err.message, "  ")


def explain(question: Question) -> None:
    """What the question is after, and the answers to choose from."""
    say(f"  {question.help or 'No more to say about this one.'}")
    if question.choices:
        show_choices(question)


def show_choices(question: Question) -> None:
    """The answers to choose from, numbered; each may be typed by number, id or the start of its id."""
    width = max(len(choice) for choice, _ in question.choices)
    for number, (choice, line) in enumerate(question.choices, start=1):
        text = f"  {number:>2}  {choice:<{width}}  {line}"
        say(text if len(text) <= 80 else text[:77] + "...")


def say_how() -> None:
    """How the questions work, said once before the first."""
    say("Type ? for an explanation, Ctrl-C to stop (nothing is saved before the end).")


def confirm(text: str, *, default: bool) -> bool:
    """A yes/no question at the terminal."""
    return bool(ask(Question("", "", text, parse_yes, "y or n", "y" if default else "n")))


def parse_given(questions: Iterable[Question], given: Mapping[str, str | None]) -> tuple[dict[str, Any], list[Issue]]:
    """Parse what was given on the command line; every problem is collected, none is asked about."""
    answers: dict[str, Any] = {}
    issues: list[Issue] = []
    for question in questions:
        text = given.get(question.key)
        if text is None:
            continue
        try:
            answers[question.key] = question.given(answers).parse(text)
        except InputError as err:
            found = err.issues or (Issue("error", err.message, err.hint),)
            issues += [Issue(i.severity, i.message, i.hint, i.file, i.line, i.field or question.option) for i in found]
    return answers, issues


def fill_in(questions: Sequence[Question], given: Mapping[str, str | None], command: str) -> dict[str, Any]:
    """All answers: those given are parsed, the missing ones asked for at a terminal, or refused all at once.

    Raises InputError for unusable values (all of them), UsageError for missing ones where nobody can be asked.
    """
    answers, issues = parse_given(questions, given)
    missing = [q for q in questions if given.get(q.key) is None]
    needed = [q for q in missing if not q.optional and (q.default is None or q.offered)]
    asking = at_terminal() and bool(needed)
    if needed and not asking:
        lines = [Issue("error", f"{q.option} is missing", q.help) for q in needed]
        if issues:
            raise InputError(f"{command}: {len(issues) + len(lines)} problems", issues=[*issues, *lines])
        raise missing_answers(command, lines)
    if issues:
        raise InputError(problems(command, len(issues)), issues=issues)
    if asking:
        say_how()
    for question in missing:
        if asking and question.needless is not None and question.needless(answers):
            answers[question.key] = None
        elif asking:
            answers[question.key] = ask(question.given(answers))
        else:
            answers[question.key] = question.parse(question.default) if question.default else None
    return answers


def fill_in_dated(
    questions: Sequence[Question], given: Mapping[str, str | None], command: str, date: str | None
) -> tuple[dict[str, Any], dt.date]:
    """The answers, and the day on which it happened: today where none was typed; a wrong one is told with the rest."""
    answers = fill_in([*questions, DAY], {**given, "date": date or "today"}, command)
    return answers, answers.pop("date")


def problems(command: str, count: int) -> str:
    """`record product: 2 problems, nothing saved`."""
    return f"{command}: {count} problem{'s' if count != 1 else ''}, nothing saved"


def missing_answers(command: str, lines: Sequence[Issue]) -> UsageError:
    """The error for a script that did not say everything."""
    names = ", ".join(line.message.removesuffix(" is missing") for line in lines)
    hints = "\n".join(f"{line.message.removesuffix(' is missing')}  {line.hint}" for line in lines if line.hint)
    return UsageError(f"{command}: missing {names}", f"{hints}\n(at a terminal you are asked for them)")


def insist(run: Callable[[bool], Any], *, sure: bool) -> Any:
    """Call `run(sure)`; hardly credible input is asked back at a terminal, and refused in a script.

    Raises NeedsConfirmation where nobody can be asked or the answer is no.
    """
    from gradeest.errors import NeedsConfirmation

    try:
        return run(sure)
    except NeedsConfirmation as err:
        if not at_terminal():
            raise
        say(err.message)
        for issue in err.issues:
            say_issue(issue)
        if not confirm("Is it right as you typed it? Keep it", default=False):
            raise GaveUpError("nothing was saved", "run the command again with the right value") from err
        return run(True)
