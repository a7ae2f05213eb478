"""`gradeest laws`: the law lines that are held, of where the bench stands or of elsewhere."""

from __future__ import annotations

from typing import Annotated

import typer

from gradeest.cli import options
from gradeest.cli.context import place_of


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("laws", short_help="The law lines that are held.")(laws)


def laws(
    ctx: typer.Context,
    jurisdiction: Annotated[
        str | None, typer.Argument(metavar="JURISDICTION", help="Of another place than the bench's; or all.")
    ] = None,
    as_json: options.Json = False,
) -> None:
    """Show the law lines held of where the bench stands (`bench set jurisdiction`), of another place, or all."""
    from gradeest.cli.as_json import print_json
    from gradeest.cli.tables import heading, note, show
    from gradeest.workflow.law_lines import list_laws

    found = list_laws(place_of(ctx), jurisdiction)
    if as_json:
        print_json("laws", found)
        return
    of = f"of {found.of}" if found.of else "in general: this bench has not said where it stands"
    parts = [heading(f"Law lines held, {of}")]
    for row in found.rows:
        where = f"{row.jurisdiction or 'in general'}: " if found.of == "all" else ""
        read = f" [{row.authority}, {'read' if row.status == 'read' else row.status} {row.dated}]" if row.dated else ""
        parts.append(note(f"- {where}{row.line}{read}", hanging="  "))
    parts.append(note(f"Places: {', '.join(found.known)} (of which none is held). Lines may have changed, and missing "
                      f"ones do not mean that something is allowed. {found.defer}"))  # fmt: skip
    show(*parts)
