"""Results as JSON: the names of the result's fields are the keys, and they are stable."""

from __future__ import annotations

import json
from typing import Any

from gradeest.cli.output import is_utf8, put
from gradeest.workflow.plain import plain


def print_json(command: str, result: Any) -> None:
    """One JSON object on stdout; `command` names what was asked."""
    body = plain(result)
    body = {"command": command, **body} if isinstance(body, dict) else {"command": command, "items": body}
    put(json.dumps(body, indent=2, ensure_ascii=not is_utf8()))
