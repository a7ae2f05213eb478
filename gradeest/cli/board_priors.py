"""Kinds of boards in `gradeest priors ...`: their parts as shares, and one kind in full."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gradeest.workflow.board_priors import BoardLine, BoardShown
    from gradeest.workflow.catalogues import PriorsChecked


def share_text(share: tuple[float, float, float]) -> str:
    """Median (5-95 %) of a share, in per cent."""
    from gradeest.cli.tables import number

    q5, q50, q95 = (100 * q for q in share)
    return f"{number(q50, 2)} ({number(q5, 2)}-{number(q95, 2)}) %"


def list_parts(boards: list[BoardLine]) -> list[Any]:
    """All kinds of boards, each with the parts that may be taken off."""
    from rich.text import Text

    from gradeest.cli.tables import heading, make_table, note

    parts: list[Any] = [Text(), heading("boards, and the share of their mass that is one kind of part")]
    table = make_table([("board", "<"), ("part", "<"), ("of the board", ">")])
    for board in boards:
        if board.stop:
            table.add_row(board.id, "refused", "STOP")
        for n, (part, share) in enumerate(board.shares.items()):
            table.add_row(board.id if n == 0 else "", part, share_text(share))
    return [*parts, table, note("Median (5-95 %) of the board's mass before anything was sorted.")]


def board_parts(found: BoardShown) -> list[Any]:
    """The page of one kind of board."""
    from rich.text import Text

    from gradeest.cli.tables import heading, metal_text, note, number, with_unit

    line = found.board
    parts: list[Any] = [heading(f"{line.id}: {line.name}"), note(f"How to tell: {line.how_to_tell}")]
    q5, q50, q95 = (number(q, 2) for q in line.piece_mass_g)
    parts.append(note(f"One board: {q50} ({q5}-{q95}) g"))
    if line.stop:
        parts.append(note(f"Refused: {line.stop}"))
    for row in found.parts:
        low, middle, high = (number(q, 2) for q in row.minutes_per_kg)
        parts.append(Text(f"  {row.part}  {share_text((row.share.q5, row.share.q50, row.share.q95))}"))
        parts.append(note(f"{row.share.status}: {row.why}", indent="    "))
        parts.append(note(f"{middle} ({low}-{high}) minutes per kg of it: {row.minutes_why}", indent="    "))
    if found.whole_g_per_t:
        parts += [Text(), Text("The whole board, next lot: shares times the grades of its parts")]
        parts += [metal_text(m) + Text(f"  {with_unit(grade)}") for m, grade in found.whole_g_per_t.items()]
    if found.cautions:
        parts += [Text(), Text("Before anything is taken off, beware:")]
        parts += [note(text, indent="  ") for text in found.cautions]
    return [*parts, Text(), Text("Sources"), *(note(f"{k}: {v}", indent="  ") for k, v in found.sources.items())]


def checked_parts(found: PriorsChecked) -> list[Any]:
    """The rows of compositions that the softmax-normal form does not follow closely."""
    from gradeest.cli.tables import make_table, note, number

    off = [row for row in found.shares if row.verdict != "ok"]
    parts: list[Any] = []
    if off:
        table = make_table([("board", "<"), ("part", "<"), ("row", ">"), ("model", ">"), ("factor", ">"), ("", "w")])
        for row in off:
            cells = (share_text(row.row), share_text(row.predictive), number(row.factor), row.verdict)
            table.add_row(row.board, row.part, *cells)
        parts.append(table)
    return [*parts, note(f"{len(found.shares)} shares of boards read, {len(off)} of them named or failing.")]
