"""How soon the report of a night is drawn, and how large it is: the demonstration, after it is planned.

Run: python tests/speed/report.py [SCENARIO]. One table of one run, in CPU time of one core; nothing here is
asserted. The measure beside ours is what matplotlib takes by itself for as many figures of two empty axes
each, saved as SVG by pyplot: who draws every mark as an artist of its own pays several times that. The least
of five runs counts, since the machine may be busy.
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable
from pathlib import Path

import matplotlib
from matplotlib import pyplot

import planner
from planner.output.html import night_figures, render_report

ROOT = Path(__file__).resolve().parent.parent.parent
RUNS = 5


def least_s(work: Callable[[], object]) -> float:
    """CPU seconds of the fastest of some runs."""
    taken = []
    for _ in range(RUNS):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def empty_figures(count: int) -> None:
    """As many figures of two empty axes as the report has, as SVG."""
    for _ in range(count):
        figure, _ = pyplot.subplots(2)
        figure.savefig(io.StringIO(), format="svg")
        pyplot.close(figure)


def main(name: str) -> None:
    """Plan, draw, and print one table."""
    matplotlib.use("svg")
    night = planner.plan_night(planner.read_scenario(ROOT / "scenarios" / name))
    asked = night.solved.limits, night.solved.offers, night.plan
    start = time.process_time()
    figures = night_figures(*asked)
    page = render_report(*asked, figures)
    first_s = time.process_time() - start
    drawn_s = least_s(lambda: night_figures(*asked))
    page_s = least_s(lambda: render_report(*asked, figures))
    empty_s = least_s(lambda: empty_figures(len(figures)))
    visits, requests = len(night.plan.visits), len(night.plan.requests)
    print(f"{name}: {visits} visits, {requests} requests, {len(figures)} figures")
    print(f"report {len(page.encode()) / 1e6:.2f} MB, figures {sum(map(len, figures.values())) / 1e6:.2f} MB")
    print(f"first time {first_s:.2f} s of CPU; again: figures {drawn_s:.2f} s, page {page_s:.2f} s")
    ratio = (drawn_s + page_s) / empty_s
    print(f"as many empty figures {empty_s:.2f} s; figures and page take {ratio:.2f} of that")


if __name__ == "__main__":
    main(*(sys.argv[1:] or ["demo"]))
