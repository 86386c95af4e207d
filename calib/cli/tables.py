"""Prints the results of a run as tables on the terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table

from calib.products.readable import number
from calib.products.report_data import ReportFigure


def print_warnings(warnings: Sequence[str]) -> None:
    """Print the warnings, one line each."""
    console = Console(stderr=True)
    for warning in warnings:
        console.print(f"[yellow]warning:[/yellow] {warning}", highlight=False, soft_wrap=True)


def print_figures(figures: Sequence[ReportFigure]) -> None:
    """Print the figures of a run, each with the limit set by noise or by the description."""
    table = Table("figure", "found", "unit", "limit", "found / limit", box=None, pad_edge=False)
    for figure in figures:
        limit = "" if figure.limit is None else number(figure.limit)
        ratio = f"{figure.value / figure.limit:.2f}" if figure.limit else ""
        table.add_row(figure.name, number(figure.value), figure.unit, limit, ratio)
    Console(width=120).print(table)
