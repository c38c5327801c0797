"""The tables that the commands print."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from wearscope.cli.terminal import console_for, say
from wearscope.quantities.views import suffix
from wearscope.texts import visible

if TYPE_CHECKING:
    from rich.table import Table

    from wearscope.log.records import Record
    from wearscope.pipeline.repeat_study import StudyResult
    from wearscope.pipeline.results import BatchResult, PhotoVerdict
    from wearscope.process.fairness import FairTrial
    from wearscope.report.history_words import History
    from wearscope.trial import PhotoEntry, Study

_SUMMARY = (
    ("Recession,\nµm", (("edge_recession", "difference"),)),
    ("Edge radius,\nused, µm", (("edge_radius", "used"), ("edge_radius", "whole"))),
    ("Coating loss,\nused, %", (("coating_loss", "used"),)),
)


def print_summary(result: BatchResult) -> None:
    """Print what was measured, for each bit a table of its photos.

    Parameters
    ----------
    result : BatchResult
    """
    from wearscope.report.words import INTERVAL_REMARK

    found: dict[tuple[object, ...], Record] = {
        (row.bit, row.flute, row.parts, row.view, row.quantity, row.zone): row for row in result.records
    }
    rows = []
    for photo in result.photos:
        entry = photo.entry
        place = (entry.bit, entry.flute, entry.parts, entry.view)
        cells = ["–", "–", "–", "refused"]
        if not photo.refusal:
            numbers = [[found[place + n] for n in choice if place + n in found] for _, choice in _SUMMARY]
            sharpness = found.get((*place, "sharpness", "whole"))
            cells = [*(_cell(records[0]) if records else "–" for records in numbers), _blur(sharpness)]
        rows.append((entry, cells))
    _print_by_bit([*(heading for heading, _ in _SUMMARY), "Photo:\nblur, µm"], rows)
    say(f"{INTERVAL_REMARK}; – is not measured on such a photo.")


def _cell(record: Record) -> str:
    """Show a number with its interval, and under it the status in a word unless all is well."""
    from wearscope.report import words

    if record.value is None:
        return "refused"
    if record.status == "below_detection":
        return f"{words.nothing_seen(record)}\n{words.limit_text(record, with_unit=False)}".rstrip()
    text = words.value_text(record, with_unit=False)
    return text if record.status == "ok" else f"{text}\n{record.status}"


def _blur(record: Record | None) -> str:
    if record is None or record.value is None:
        return "unknown"
    return f"{record.value:.2g}" if record.status == "ok" else f"{record.value:.2g}\n{record.status}"


def print_verdicts(verdicts: Sequence[PhotoVerdict]) -> None:
    """Print whether each photo can carry a measurement.

    Parameters
    ----------
    verdicts : sequence of PhotoVerdict
    """
    rows = []
    for verdict in verdicts:
        judged = verdict.judgement
        cells = ["refused", "–", "–", "–", "–"]
        if judged:
            cells = [
                "refused" if verdict.refusal else judged.verdict,
                "–" if judged.sharpness_um is None else f"{judged.sharpness_um:.2g}",
                "–" if judged.clipped_share is None else f"{judged.clipped_share:.1%}",
                "–" if judged.contrast is None else f"{judged.contrast:.2f}",
                judged.background or "–",
            ]
        rows.append((verdict.entry, cells))
    _print_by_bit(["Verdict", "Blur, µm", "Burnt out", "Contrast", "Background"], rows)


def print_budgets(result: BatchResult) -> None:
    """Print a table for each number that this run made: what its ± consists of.

    Parameters
    ----------
    result : BatchResult
    """
    from wearscope.metrology.findings import COVERAGE_95
    from wearscope.quantities.quantity import quantity_of
    from wearscope.report import budget_words as budgets
    from wearscope.report import words

    console = console_for(stderr=False)
    for photo in result.photos:
        for record in photo.records:
            budget = photo.budgets.get((record.quantity, record.zone))
            if budget is None or record.value is None or record.std_uncertainty is None:
                continue
            how = quantity_of(record.quantity)
            low, high = budget.interval()
            half = (high - low) / 2.0
            shown = (record.value, half)
            value, expanded = words.rounded(*(how.shown_factor * number for number in shown))
            title = f"{words.headline(record.bit, record.flute, record.parts)}: {words.row_name(record)}"
            table = _table(f"{title}\n{value} ± {expanded} {how.shown_unit}")
            table.add_column("What it rests on", min_width=38)
            table.add_column("known to ±", justify="right", min_width=10)
            table.add_column(f"makes ±, {how.shown_unit}", justify="right", min_width=9)
            table.add_column("share", justify="right", min_width=6)
            for line in budgets.lines(budget):
                own = (
                    "–" if line.u is None else f"{COVERAGE_95 * line.u:.2g} {line.u_unit}".replace(" °", "°")
                )
                # each as a ± of its own; their squares add up to that of the ± above
                gives = words.rounded(
                    line.contribution / budget.u * half * how.shown_factor, half * how.shown_factor
                )[0]
                table.add_row(budgets.name_text(line.name), own, gives, f"{line.share:.0%}")
            console.print(table)
            say(f"To improve next: {budgets.what_to_improve(budget)}\n")


def print_history(history: History) -> None:
    """Print what became of each bit of all trials below a folder.

    Parameters
    ----------
    history : History
    """
    from wearscope.report.history_words import HEADS, history_rows
    from wearscope.report.words import SURE

    table = _table("Bits tried")
    for head in HEADS:
        # a day and a number of parts are never broken
        table.add_column(head.replace(SURE, f"\n{SURE}"), no_wrap=head in ("Measured", "Parts"))
    for row in history_rows(history.bits):
        table.add_row(*row)
    console_for(stderr=False).print(table)


def print_fairness(fair: FairTrial) -> None:
    """Print whether the trial is fair, and what differs.

    Parameters
    ----------
    fair : FairTrial
    """
    from textwrap import fill

    from wearscope.report.fairness_words import fair_head, fair_lines

    say(fair_head(fair))
    for line in fair_lines(fair):
        say(fill(line, 80, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False))
    say("")


def print_study(study: Study, result: StudyResult) -> None:
    """Print for each quantity how much values differ, by cause.

    Parameters
    ----------
    study : Study
    result : StudyResult
    """
    from wearscope.quantities.quantity import quantity_of
    from wearscope.report import repeat_words

    console = console_for(stderr=False)
    for studied in result.quantities:
        unit = quantity_of(studied.quantity).shown_unit
        table = _table(repeat_words.heading(studied))
        table.add_column("What differs")
        for column in (f"Usually\nby, {unit}", "which may be", "Share of\nall, %"):
            table.add_column(column, justify="right")
        for row in repeat_words.spread_rows(studied):
            table.add_row(*row)
        console.print(table)
        for line in repeat_words.verdict(studied, study.tolerance_um):
            say(f"- {line}")
        say()
    if result.quantities:
        say(repeat_words.SHARED_REMARK)


def _print_by_bit(headings: Sequence[str], rows: Sequence[tuple[PhotoEntry, Sequence[str]]]) -> None:
    """Print a table for each bit, one row for each photo."""
    console = console_for(stderr=False)
    for bit, of_bit in groupby(rows, lambda row: row[0].bit):
        table = _table(f"Bit {bit}")
        table.add_column("Flute", min_width=7)
        table.add_column("Parts", min_width=5)
        for heading in headings:
            table.add_column(heading, min_width=9)
        for entry, cells in of_bit:
            flute = f"{entry.flute}{suffix(entry.view, ' ')}"
            table.add_row(flute, str(entry.parts) if entry.parts else "new", *cells)
        console.print(table)


def _table(title: str) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    return Table(
        title=Text(visible(title)),
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
    )
