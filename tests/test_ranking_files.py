"""The tables, the plain data and the folder of a ranking are whole and read back."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from astropy import units as u
from astropy.table import QTable
from ranked import UNSERVED, nothing, ranked, ranking, simply_drawn

from planner.errors import InputProblems
from planner.output import ranking_folder
from planner.output import writing as folders
from planner.output.contents import RANKING
from planner.output.ranking_folder import write_ranking_folder
from planner.output.ranking_json import ranking_told
from planner.output.ranking_tables import everyone, ranking_table, request_table
from planner.output.writing import check_folder


@pytest.fixture(autouse=True)
def quick_figures(monkeypatch):
    monkeypatch.setattr(ranking_folder, "ranking_figures", simply_drawn)


@pytest.fixture(scope="module")
def found():
    return ranking(nights=3)


def test_the_tables_read_back_with_units(found, tmp_path):
    write_ranking_folder(found, tmp_path / "ranking")
    table = QTable.read(tmp_path / "ranking" / "ranking.ecsv")
    rows = everyone(found)
    assert len(table) == len(rows) == len(found.top) + 1
    assert (table["hours"].unit, table["longest"].unit, table["resolution"].unit) == (u.h, u.m, u.mas)
    for row, (place, one) in zip(table, rows, strict=True):
        assert (row["place"], row["stations"]) == (place, "; ".join(one.stations))
        assert row["current"] == (one is found.current)
        assert row["on_front"] == one.on_front
        numbers = (row["estimate"], row["true_score"], row["bound"], row["longest"].value)
        assert numbers == (one.score.estimate, one.truth.score, one.truth.bound, one.score.longest_m)
    by_request = QTable.read(tmp_path / "ranking" / "by_request.ecsv")
    shape = len(rows), len(found.requests)
    for key in ("cells", "hours", "estimates", "truth_by_request"):
        column = {"estimates": "estimate", "truth_by_request": "truth"}.get(key, key)
        told = np.asarray(getattr(by_request[column], "value", by_request[column])).reshape(shape)
        assert np.array_equal(told, [getattr(one, key) for _, one in rows])
    assert by_request["hours"].unit == u.h
    names = [found.scenario.requests[k].name for k in found.requests]
    wanted = [(place, "; ".join(one.stations), name) for place, one in rows for name in names]
    told = zip(by_request["place"], by_request["stations"], by_request["target"], strict=True)
    assert [tuple(row) for row in told] == wanted
    assert list(by_request["served"][: shape[1]]) == [k not in found.unserved for k in range(shape[1])]


def test_a_subarray_of_the_front_alone_has_no_place():
    found = ranking()
    extra = ranked(found.scenario, ("K1", "K2", "M4", "M5"), 180.0, seed=8)
    table = ranking_table(replace(found, front=(*found.front, extra)))
    assert list(table["place"]) == [*range(1, len(found.top) + 1), 0, 0]
    assert len(ranking_table(nothing())) == len(request_table(nothing())) == 0


def test_plain_data_carries_the_same_numbers(found):
    told = json.loads(json.dumps(ranking_told(found)))
    for one, data in zip([*told["top"], told["current"]], [*found.top, found.current], strict=True):
        assert one["stations"] == list(data.stations)
        assert one["truth"]["score"] == data.truth.score
        assert one["longest_m"] == pytest.approx(data.score.longest_m, abs=1e-4)
        assert [k["cells"] for k in one["by_request"]] == data.cells.tolist()
        assert len(one["to_move"]) == one["moves"]
    assert [k["served"] for k in told["requests"]].index(False) == UNSERVED
    assert ranking_told(nothing())["current"] is None


def test_the_folder_is_whole_and_the_same_twice(found, tmp_path):
    first, second = (write_ranking_folder(found, tmp_path / name, pdf=True).parent for name in ("one", "two"))
    names = {path.relative_to(first).as_posix() for path in first.rglob("*") if path.is_file()}
    figures = {
        f"figures/{name}.{kind}" for name in ("array", "bars", "heat", "planes") for kind in ("svg", "pdf")
    }
    assert names == {"ranking.html", "ranking.ecsv", "by_request.ecsv", *figures}
    assert all((first / name).read_bytes() == (second / name).read_bytes() for name in names)
    write_ranking_folder(nothing(), first)  # an earlier ranking is replaced, its figures too
    assert {path.name for path in (first / "figures").iterdir()} == {"array.svg"}  # no PDF that nobody wants


def test_a_folder_of_something_else_is_refused_and_kept(found, tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(InputProblems, match="not part of a ranking"):
        check_folder(tmp_path, RANKING)
    with pytest.raises(InputProblems):
        write_ranking_folder(found, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_when_writing_fails_the_earlier_ranking_is_still_there(found, tmp_path, monkeypatch):
    target = tmp_path / "ranking"
    before = write_ranking_folder(found, target).read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folders.os, "fsync", full)
    with pytest.raises(InputProblems, match="No space left"):
        write_ranking_folder(nothing(), target)
    assert (target / "ranking.html").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["ranking"]
