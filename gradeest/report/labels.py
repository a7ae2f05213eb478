"""Labels for jars, cut from an A4 page: id, kind, mass, date, hazard. An empty one waits for what a batch leaves."""

from __future__ import annotations

from dataclasses import dataclass

from gradeest.report.page import escape, make_page

CSS = """
h1 { font-size: 12pt; margin-bottom: 2mm; }
.labels { display: grid; grid-template-columns: 1fr 1fr; gap: 0; }
.label { border: 0.2mm dashed #000; padding: 2.5mm 3mm; min-height: 50mm; break-inside: avoid;
  overflow-wrap: anywhere; }
.label h2 { font-size: 15pt; line-height: 1.15; margin: 0 0 1mm; border: 0; }
.what { font-size: 10pt; }
.amount { font-size: 13pt; font-weight: bold; }
.hazard { border: 0.5mm solid #000; padding: 0.8mm 1.5mm; font-size: 9pt; line-height: 1.25; margin-top: 1.5mm; }
.pen { display: inline-block; min-width: 26mm; height: 7.5mm; border-bottom: 0.3mm solid #000; }
"""


@dataclass(frozen=True)
class Label:
    """One jar. `amount` and `date` are text; where they are empty there is room to write. `stop`: never processed."""

    address: str
    what: str
    amount: str
    date: str
    hazard: str
    stop: bool = False


def write_labels(title: str, labels: tuple[Label, ...]) -> str:
    """A page of labels as HTML."""
    body = "\n".join(write_label(label) for label in labels)
    return make_page(title, CSS, f'<h1>{escape(title)}</h1>\n<main class="labels">\n{body}\n</main>')


def write_label(label: Label) -> str:
    """One label."""
    pen = '<span class="pen"></span>'
    address = f"{escape(label.address)}{pen}" if label.address.endswith("/") else escape(label.address)
    what = escape(label.what) if label.what else f"What {pen}"
    amount = escape(label.amount) if label.amount else f"How much {pen}"
    date = escape(label.date) if label.date else f"Date {pen}"
    word = "STOP, not to be processed" if label.stop else "Hazard"
    return (
        f'<article class="label"><h2>{address}</h2>\n<p class="what">{what}</p>\n'
        f'<p class="amount">{amount}</p>\n<p>{date}</p>\n'
        f'<p class="hazard"><strong>{word}:</strong> {escape(label.hazard)}</p></article>'
    )
