"""The folder of a feasibility answer is whole or as it was, and its tables read back."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from answered import HOSTILE, answered, simply_drawn, with_season
from astropy import units as u
from astropy.table import QTable
from pages import read_page

from planner.errors import InputProblems
from planner.output import feasibility_folder
from planner.output import writing as folders
from planner.output.contents import FEASIBILITY
from planner.output.feasibility_folder import (
    feasibility_figures,
    write_feasibility_folder,
)
from planner.output.feasibility_months import season_months
from planner.output.feasibility_page import render_feasibility
from planner.output.feasibility_tables import blocked_table, season_table, targets_table, windows_table
from planner.output.tables import table_text
from planner.output.writing import check_folder
from planner.sky.earth import offline_earth


@pytest.fixture(scope="module")
def found():
    return with_season(answered())


@pytest.fixture(autouse=True)
def quick_figures(monkeypatch):
    monkeypatch.setattr(feasibility_folder, "feasibility_figures", simply_drawn)


@pytest.fixture(scope="module", params=HOSTILE, ids=["markup", "mathematics", "quotes", "scripts"])
def hostile(request):
    found = with_season(answered(f" {request.param}", decs=(-40.0, 70.0)))
    return request.param, found, {name: drawn.svg for name, drawn in simply_drawn(found).items()}


def test_hostile_names_survive_the_tables(hostile, tmp_path):
    name, found, _ = hostile
    page = write_feasibility_folder(found, tmp_path / "answer")
    assert {path.name for path in page.parent.iterdir()} == {
        "feasibility.html", "targets.ecsv", "windows.ecsv", "blocked.ecsv", "season.ecsv", "sheets", "figures"
    }  # fmt: skip
    table = QTable.read(page.parent / "windows.ecsv")
    assert set(table["target"]) == {night.name for night in found.nights if night.serving}
    assert all(name in target for target in table["target"])


def read_back(tmp_path, table):
    file = tmp_path / "table.ecsv"
    table.write(file, format="ascii.ecsv")
    return QTable.read(file)


def test_the_table_of_windows_reads_back_with_units_and_times(found, tmp_path):
    table = read_back(tmp_path, windows_table(found))
    rows = [
        (night, one, opening) for night in found.nights for one in night.subarrays for opening in one.openings
    ]
    assert len(table) == len(rows) > 10
    assert table["duration"].unit == u.s
    assert "{name: duration, unit: s, datatype: int64}" in table_text(windows_table(found))
    with offline_earth():
        length = (table["end"] - table["start"]).to(u.s)
        dusk = found.nights[0].curve.dark.start
        starts = (table["start"] - dusk).to_value("s")
    assert (
        np.abs((length - table["duration"]).to_value("s")).max() < 0.502
    )  # whole seconds; times are written to the millisecond
    for row, start, (night, one, opening) in zip(table, starts, rows, strict=True):
        assert row["target"] == night.name
        assert row["subarray"] == "-".join(one.telescopes)
        assert (row["opened_by"], row["closed_by"]) == (opening.opened_by, opening.closed_by)
        assert row["visit_starts"] == len(one.visit_starts_s)
        assert start == pytest.approx(opening.span[0], abs=1e-3)


def test_open_and_blocked_fill_the_night_of_every_subarray(found, tmp_path):
    windows, blocked = windows_table(found), read_back(tmp_path, blocked_table(found))
    with offline_earth():
        minutes = (blocked["end"] - blocked["start"]).to_value(u.min)
    for number, night in enumerate(found.nights):
        for place in range(len(night.subarrays)):
            key = f"R{number + 1:02d}", place + 1
            closed = minutes[(blocked["number"] == key[0]) & (blocked["place"] == key[1])].sum()
            chosen = (windows["number"] == key[0]) & (windows["place"] == key[1])
            whole = closed + windows["duration"][chosen].to_value(u.min).sum()
            assert whole == pytest.approx(night.curve.length_s / 60.0, abs=0.05)


def test_the_table_of_the_season_reads_back(found, tmp_path):
    table = read_back(tmp_path, season_table(found.season))
    shape = found.season.usable_h().shape
    assert len(table) == np.prod(shape)
    assert table["usable"].unit == u.h
    assert np.array_equal(table["usable"].value.reshape(shape), found.season.usable_h())
    assert np.array_equal(np.array(table["feasible"]).reshape(shape), found.season.feasible())
    most = np.array(table["closed_by"]).reshape(shape)
    night = (0, 1, 200)
    codes = found.season.binding[night]
    counts = [(codes == k + 1).sum() for k in range(len(found.season.limits))]
    assert most[night] == found.season.limits[int(np.argmax(counts))]


def test_an_answer_without_windows_still_has_its_table(tmp_path):
    shut = answered(decs=(70.0,))
    table = read_back(tmp_path, windows_table(shut))
    assert len(table) == 0
    assert {"start", "end", "duration", "visit_starts"} <= set(table.colnames)


def test_every_target_has_its_night_and_its_season_drawn(found):
    small = replace(
        found, nights=found.nights[:1], season=with_season(replace(found, nights=found.nights[:2])).season
    )
    drawn = feasibility_figures(small)
    assert set(drawn) == {"R01-night", "R01-season", "R02-season"}
    page = read_page(render_feasibility(small, {name: figure.svg for name, figure in drawn.items()}))
    assert len(page.all("svg")) == 3
    for svg in page.all("svg"):
        for element in svg.all():
            for name in ("style", "fill", "stroke"):
                assert not re.search(r"#[0-9a-f]{6}", element.attributes.get(name, ""))


def test_every_target_has_a_sheet_and_its_figures(found, tmp_path):
    page = write_feasibility_folder(found, tmp_path / "answer", pdf=True)
    assert page == tmp_path / "answer" / "feasibility.html"
    names = {path.relative_to(page.parent).as_posix() for path in page.parent.rglob("*") if path.is_file()}
    numbers = [f"R{k + 1:02d}" for k in range(len(found.nights))]
    expected = {"feasibility.html", "targets.ecsv", "windows.ecsv", "blocked.ecsv", "season.ecsv"}
    expected |= {f"sheets/{n}-star-{k}.html" for k, n in enumerate(numbers)}
    expected |= {
        f"figures/{n}-{kind}.{end}" for n in numbers for kind in ("night", "season") for end in ("svg", "pdf")
    }
    assert names == expected
    assert (page.parent / "figures" / "R01-night.pdf").read_bytes().startswith(b"%PDF-")


def test_an_earlier_answer_is_replaced_and_what_it_had_more_is_gone(found, tmp_path):
    place = tmp_path / "answer"
    write_feasibility_folder(found, place, pdf=True)
    write_feasibility_folder(replace(found, nights=found.nights[:1], season=None), place)
    names = {path.relative_to(place).as_posix() for path in place.rglob("*") if path.is_file()}
    assert names == {
        "feasibility.html", "targets.ecsv", "windows.ecsv", "blocked.ecsv", "sheets/R01-star-0.html",
        "figures/R01-night.svg",
    }  # fmt: skip


def test_when_the_disk_is_full_the_folder_is_as_it_was(found, tmp_path, monkeypatch):
    place = tmp_path / "answer"
    small = replace(found, nights=found.nights[:1], season=None)
    calls = []

    def full(number):
        calls.append(number)
        if len(calls) > 3:
            raise OSError(28, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr(folders.os, "fsync", full)
        with pytest.raises(InputProblems, match="No space left"):
            write_feasibility_folder(small, place)
    assert list(tmp_path.iterdir()) == []
    write_feasibility_folder(small, place)
    before = {path: path.read_bytes() for path in place.rglob("*") if path.is_file()}
    calls.clear()
    monkeypatch.setattr(folders.os, "fsync", full)
    with pytest.raises(InputProblems, match="No space left"):
        write_feasibility_folder(found, place)
    assert {path: path.read_bytes() for path in place.rglob("*") if path.is_file()} == before
    assert list(tmp_path.iterdir()) == [place]


@pytest.mark.parametrize(
    "strange", ["notes.txt", "sheets/mine.html", "figures/R01-night.png", "plan.json", "sheets/R01.html/x"]
)
def test_a_folder_with_other_things_in_it_is_left_alone(strange, tmp_path):
    file = tmp_path / strange
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text("mine", encoding="utf-8")
    with pytest.raises(InputProblems, match="which is not part of a feasibility answer"):
        check_folder(tmp_path, FEASIBILITY)
    assert file.read_text(encoding="utf-8") == "mine"


def test_what_to_ask_for_stands_in_one_table(found, tmp_path):
    table = read_back(tmp_path, targets_table(found))
    assert list(table["target"]) == [night.name for night in found.nights]
    assert list(table["feasible"]) == [bool(night.serving) for night in found.nights]
    wanted = [night.scenario.requests[night.request].visits for night in found.nights]
    assert list(table["visits"]) == wanted
    hours = [own * night.visit_s / 3600.0 for own, night in zip(wanted, found.nights, strict=True)]
    assert table["time"].to_value(u.h) == pytest.approx(hours, abs=1e-4)
    months = season_months(found.season)[0][0]
    count = sum(nights > 0 for nights in months.feasible_by_month)
    assert len(table["months"][0].split("; ")) == count > 3
    for row, night in zip(table, found.nights, strict=True):
        assert night.exclusion is None or str(row["reason"]) == night.exclusion.sentence
        assert not night.remedies or str(row["remedy"]) == night.remedies[0].sentence
    assert not any(targets_table(replace(found, season=None))["months"])
