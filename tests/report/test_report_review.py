"""Two reports side by side: every kind of difference is found, said, sorted and written."""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import shutil
from pathlib import Path
from typing import Any

import pytest
from bs4 import BeautifulSoup
from tiny import NOTEBOOKS, fish_table, write_study

from fishreport.exceptions import ReportError, UsageError
from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import RawTable
from fishreport.fielddata.read import read_table
from fishreport.report import kernels
from fishreport.report.build import Built, build_report
from fishreport.report.compare_build import Shown, open_build
from fishreport.report.compare_exhibits import compare_table, marked_words
from fishreport.report.compare_results import compare_records, reach_between, reach_within
from fishreport.report.compare_rows import compare_tables
from fishreport.report.compare_settings import flatten
from fishreport.report.kernels import ForkServer
from fishreport.report.review import FAIL_ON, Review, compare, review, review_study
from fishreport.report.review_files import cells_csv, moves_csv, review_json, rows_csv
from fishreport.report.review_page import render_review
from fishreport.report.review_summary import print_review
from fishreport.report.review_words import summary
from fishreport.report.verify import verify_build


def record(value: float | None, lower: float | None = None, upper: float | None = None, **more: Any) -> dict[str, Any]:
    """A line of ``results.json``."""
    base = {"id": "catch_rate/brown_trout/stock/2025", "quantity": "catch_rate", "species": "brown_trout", "site": None}
    base |= {"size_class": "stock", "season": 2025, "scenario": None, "detail": None, "method": "m", "se": None, "level": 0.95}
    return {
        **base, "units": "fish/h", "n": 9, "notes": [], "value": value, "lower": lower, "upper": upper,
        "estimable": value is not None, **more,
    }  # fmt: skip


class TestMoves:
    @pytest.mark.parametrize(
        ("before", "after", "reach"),
        [
            ((60, 50, 80), 70, 0.5),  # half of the way up to 80
            ((60, 50, 80), 50, 1.0),  # at the lower limit
            ((60, 50, 80), 45, 1.5),
            ((60, 50, 80), 90, 1.5),
            ((60, 50, None), 900, 0.0),  # open above: nothing lies beyond
            ((60, 60, 60), 61, math.inf),
        ],
    )
    def test_reach_within_one_season(self, before: tuple[Any, ...], after: float, reach: float) -> None:
        move = compare_records(record(*before), record(after, 0, 1000), "same")
        assert move is not None
        assert move.reach == pytest.approx(reach)
        assert move.beyond is (reach > 1)

    def test_no_interval_no_verdict(self) -> None:
        move = compare_records(record(60), record(70), "same")
        assert move is not None
        assert (move.reach, move.beyond, move.difference) == (None, None, 10)

    def test_two_seasons_by_the_interval_of_their_difference(self) -> None:
        """Symmetric limits: the recovered interval is the usual one, difference ± root of the summed squares."""
        before, after = record(60, 54, 66), record(71, 63, 79)
        assert reach_between(before, after) == pytest.approx(11 / math.hypot(8, 6))
        assert reach_between(after, before) == pytest.approx(11 / math.hypot(8, 6))
        assert reach_between(before, record(90, 80, None)) is None
        # Newcombe (1998, Statistics in Medicine 17:873-890) method 10 is this rule with Wilson limits. Its worked example (a),
        # from memory: 56/70 against 48/80, difference 0.20, 95% limits 0.0524 to 0.3339.
        wilson = {"before": (0.6, 0.4904, 0.7004), "after": (0.8, 0.6924, 0.8775)}
        one, two = record(*wilson["before"]), record(*wilson["after"])
        reach = reach_between(one, two)
        assert reach is not None
        assert 0.2 - 0.2 / reach == pytest.approx(0.0524, abs=5e-4)

    def test_noise_of_another_machine_is_no_move(self) -> None:
        assert compare_records(record(60, 50, 80), record(60 * (1 + 1e-13), 50, 80), "same") is None
        assert reach_within(record(60, 50, 80), record(60, 50, 80)) == 0.0

    @pytest.mark.parametrize(
        ("before", "after", "kind"),
        [
            (record(60, 50, 80), record(None), "no longer estimable"),
            (record(None), record(60, 50, 80), "now estimable"),
            (record(60, 50, 80), record(60, 52, 75), "interval"),
            (record(60, 50, 80), record(60, 50, 80, n=8), "wording"),
            (record(None, notes=["a"]), record(None, notes=["b"]), "wording"),
        ],
    )
    def test_kinds(self, before: dict[str, Any], after: dict[str, Any], kind: str) -> None:
        move = compare_records(before, after, "same")
        assert move is not None
        assert move.kind == kind


def fish(folder: Path, name: str, text: str) -> RawTable:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    table = read_table(path, "fish", Faults())
    assert table is not None
    return table


class TestRows:
    def test_removed_added_changed(self, tmp_path: Path) -> None:
        lines = fish_table(12).splitlines()
        before = fish(tmp_path, "a.csv", "\n".join(lines) + "\n")
        cells = lines[5].split(",")
        changed = [*lines[:3], *lines[4:5], ",".join([*cells[:2], "333", cells[3]]), *lines[6:], "R2,RBT,301,250"]
        after = fish(tmp_path, "b.csv", "\n".join(changed) + "\n")
        found = {(change.status, change.line_before, change.line_after) for change in compare_tables(before, after)}
        assert found == {("removed", 4, None), ("changed", 6, 5), ("added", None, 13)}
        (one,) = [change for change in compare_tables(before, after) if change.status == "changed"]
        assert one.cells == (("length_mm", cells[2], "333"),)

    def test_alike_rows_go_off_against_each_other(self, tmp_path: Path) -> None:
        head, row = "run_id,species,length_mm\n", "R1,BNT,200\n"
        (change,) = compare_tables(fish(tmp_path, "a.csv", head + row * 3), fish(tmp_path, "b.csv", head + row * 2))
        assert change.status == "removed"

    def test_order_is_no_change_and_a_new_column_is(self, tmp_path: Path) -> None:
        before = fish(tmp_path, "a.csv", "run_id,species,length_mm\nR1,BNT,200\nR2,BNT,210\n")
        turned = fish(tmp_path, "b.csv", "run_id,species,length_mm\nR2,BNT,210\nR1,BNT,200\n")
        assert compare_tables(before, turned) == []
        wider = fish(tmp_path, "c.csv", "run_id,species,length_mm,fate\nR1,BNT,200,\nR2,BNT,210,kept\n")
        (change,) = compare_tables(before, wider)
        assert (change.status, change.cells) == ("changed", (("fate", "", "kept"),))


def table(rows: list[list[str]], heads: tuple[str, ...] = ("Site", "Catch")) -> Shown:
    columns = [{"heading": head, "units": "", "align": "left" if place == 0 else "right"} for place, head in enumerate(heads)]
    return Shown("catch", "table", "t", {"caption": "c", "columns": columns, "rows": rows, "notes": []})


class TestTables:
    def test_cells_by_their_row(self) -> None:
        change = compare_table(table([["Weir", "1"], ["Ford", "2"]]), table([["Ford", "2"], ["Weir", "3"], ["Pool", "4"]]))
        assert change is not None
        assert [(cell.row, cell.column, cell.before, cell.after) for cell in change.cells] == [("Weir", "Catch", "1", "3")]
        assert (change.rows_added, change.rows_removed, change.unchanged) == ((("Pool", "4"),), (), 1)

    def test_rows_without_names_of_their_own(self) -> None:
        change = compare_table(table([["Weir", "1"], ["Weir", "2"]]), table([["Weir", "1"], ["Weir", "5"], ["Weir", "6"]]))
        assert change is not None
        assert [(cell.before, cell.after) for cell in change.cells] == [("2", "5")]
        assert change.rows_added == (("Weir", "6"),)

    def test_columns_that_come_and_go(self) -> None:
        change = compare_table(table([["Weir", "1"]]), table([["Weir", "9"]], ("Site", "Rate")))
        assert change is not None
        assert (change.columns_added, change.columns_removed, change.cells) == (("Rate",), ("Catch",), ())

    def test_same(self) -> None:
        assert compare_table(table([["Weir", "1"]]), table([["Weir", "1"]])) is None


def test_marked_words() -> None:
    assert marked_words("the catch fell by half", "the catch rose by half") == [
        ("same", "the catch"), ("out", "fell"), ("in", "rose"), ("same", "by half"),
    ]  # fmt: skip
    assert marked_words("", "new") == [("in", "new")]


def test_settings_are_named_by_their_place() -> None:
    study = {"water": {"length_km": 14.0}, "scenarios": [{"name": "today", "bag_limit": 5}], "x": {"months": [9, 10]}}
    assert flatten(study) == {"water.length_km": "14", "scenarios[today].bag_limit": "5", "x.months": "[9, 10]"}


@pytest.fixture(scope="module")
def other(tmp_path_factory: pytest.TempPathFactory, server: ForkServer | None) -> Built:
    """The tiny study with another level, two fish less, one row set aside, another summary and one chapter less."""
    aside = '\n[[set_aside.fish]]\nrow = 5\nreason = "measured twice"\n'
    folder = write_study(tmp_path_factory.mktemp("other") / "study", ("catch",), aside)
    (folder / "fish.csv").write_text(fish_table(38), encoding="utf-8")
    summary_file = folder / "narrative" / "summary.md"
    summary_file.write_text(summary_file.read_text().replace("twenty", "thirty"), encoding="utf-8")
    return build_report(folder, notebooks=NOTEBOOKS, settings={"parameters.level": 0.8}, server=server)


@pytest.fixture(scope="module")
def found(built: Built, other: Built) -> Review:
    return compare(built.folder, other.folder)


@pytest.mark.build
class TestReview:
    def test_what_went_in(self, found: Review) -> None:
        settings = {change.name: (change.before, change.after) for change in found.settings}
        assert settings["parameters.level"] == ("0.9", "0.8")
        assert settings["water.region"] == ("Lower Basin", "Upper Basin")
        assert settings["report.chapters"] == ("[catch, length]", "[catch]")
        assert {change.name for change in found.files} == {"fish.csv", "study.toml", "narrative/summary.md"}
        assert found.software == []
        assert found.rows.counts() == {"fish": {"removed": 2, "set aside": 1}}
        (aside,) = [row for row in found.rows.rows if row.status == "set aside"]
        assert (aside.line_before, aside.reason) == (5, "measured twice")

    def test_what_came_out(self, found: Review) -> None:
        (move,) = found.moves
        assert (move.kind, move.before and move.before["value"], move.after and move.after["value"]) == ("value", 40.0, 37.0)
        assert move.reach == pytest.approx(0.1)  # 3 of the 30 down to the lower limit that the chapter states
        assert [cell.after for change in found.tables if change.label == "catch" for cell in change.cells] == [
            "18",
            "19",
        ]  # Ford lost two, Weir one
        figures = {(change.chapter, change.label): change for change in found.figures}
        assert figures["length", "lengths"].after is None
        assert any(change.before.endswith("Age *twenty* more fish.") for change in found.texts)

    def test_a_script_can_stop(self, found: Review, built: Built) -> None:
        assert [name for name in FAIL_ON if found.trips(name)] == ["moved", "any"]
        same = compare(built.folder, built.folder)
        assert not any(same.trips(name) for name in FAIL_ON)
        with pytest.raises(UsageError, match="never, verdict, beyond, moved, any"):
            same.trips("sometimes")
        assert summary(same)[:3] == [
            "Nothing that went in differs.",
            "No objective changed verdict.",
            "None of 1 result moved.",
        ]

    def test_files_for_programs(self, found: Review) -> None:
        content = json.loads(review_json(found))
        assert content["results"][0]["difference"] == -3.0
        assert content["before"]["season"] == content["after"]["season"] == 2025
        (line,) = csv.DictReader(io.StringIO(moves_csv(found).decode()))
        assert (line["value_before"], line["value_after"], line["change"]) == ("40.0", "37.0", "value")
        assert [row["status"] for row in csv.DictReader(io.StringIO(rows_csv(found).decode()))].count("removed") == 2
        assert any(row["before"] for row in csv.DictReader(io.StringIO(cells_csv(found).decode())))
        assert review_json(found) == review_json(found)

    def test_page_can_be_read_by_all(self, found: Review) -> None:
        page = BeautifulSoup(render_review(found), "html.parser")
        assert page.html is not None
        assert page.html["lang"] == "en"
        assert len(page.find_all("h1")) == 1
        levels = [int(heading.name[1]) for heading in page.find_all(["h1", "h2", "h3", "h4"])]
        assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(levels))
        assert all(table.caption is not None and table.caption.text.strip() for table in page.find_all("table"))
        assert all(head.get("scope") in ("col", "row") for head in page.find_all("th"))
        drawings = page.find_all("svg")
        assert drawings
        assert all(len(drawing["aria-label"]) > 10 and drawing["role"] == "img" for drawing in drawings)
        names = [tag["id"] for tag in page.find_all(id=True)]
        assert len(names) == len(set(names))
        assert not page.find_all(["script", "link", "img"])
        assert page.find("del") is not None and page.find("ins") is not None

    def test_text_of_the_data_is_never_markup(self, built: Built, tmp_path: Path) -> None:
        copied = tmp_path / "copy"
        shutil.copytree(built.folder, copied)
        notebook = copied / "chapters" / "01-catch.ipynb"
        notebook.write_text(notebook.read_text().replace("The catch at Ford fell.", "<script>alert(1)</script> rose."))
        page = render_review(compare(built.folder, copied)).decode()
        assert "<script" not in page
        assert "&lt;script&gt;" in page

    def test_written_in_one_step_and_nowhere_else(self, built: Built, other: Built, tmp_path: Path) -> None:
        written = review(built.folder, other.folder, out=tmp_path / "r")
        assert written.folder == tmp_path / "r"
        names = sorted(path.name for path in written.folder.iterdir())
        assert names == [".fishreport-build", "cells.csv", "results.csv", "review.html", "review.json", "rows.csv"]
        with pytest.raises(UsageError, match="cannot replace"):
            review(built.folder, other.folder, out=built.folder)
        (tmp_path / "mine").mkdir()
        (tmp_path / "mine" / "notes.txt").write_text("keep me")
        with pytest.raises(UsageError, match="not empty"):
            review(built.folder, other.folder, out=tmp_path / "mine")
        with pytest.raises(ReportError, match="holds no report"):
            compare(tmp_path, other.folder)

    def test_damaged_report_is_said_to_be(self, built: Built, tmp_path: Path) -> None:
        copied = tmp_path / "copy"
        shutil.copytree(built.folder, copied)
        (copied / "results.json").write_text('{"study": 1')
        with pytest.raises(ReportError, match="damaged or of another version"):
            open_build(copied)

    def test_terminal(self, found: Review) -> None:
        stream = io.StringIO()
        print_review(found, stream=stream)
        text = stream.getvalue()
        assert "What went in differs in " in text
        assert "setting: parameters.level: 0.9 → 0.8" in text
        assert "result: The catch rate of brown trout, 2025: 40 fish" in text

    def test_what_if(self, study: Path, server: ForkServer | None) -> None:
        done = review_study(study, settings={"parameters.level": 0.8}, notebooks=NOTEBOOKS, formats=("html",), server=server)
        assert done.folder == study / "review"
        assert [change.name for change in done.settings] == ["parameters.level"]
        page = (study / "review" / "review.html").read_text(encoding="utf-8")
        assert 'href="before/report.html"' in page
        assert (study / "review" / "after" / "report.html").is_file()
        assert not (study / "report").exists()
        with pytest.raises(UsageError, match="needs what is to be changed"):
            review_study(study, settings={})

    def test_both_reports_fork_their_kernels_from_one_process(self, study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        if not kernels.forking_works():
            pytest.skip("kernels are not forked here")
        started = []

        class Counted(kernels.ForkServer):
            def __init__(self) -> None:
                super().__init__()
                started.append(self)

        monkeypatch.setattr(kernels, "ForkServer", Counted)
        review_study(study, settings={"parameters.level": 0.8}, notebooks=NOTEBOOKS, formats=("html",))
        assert [one.alive for one in started] == [False]


@pytest.mark.build
class TestVerify:
    def test_repeated_to_the_byte(self, built: Built, server: ForkServer | None) -> None:
        done = verify_build(built.folder, notebooks=NOTEBOOKS, server=server)
        assert done.repeatable, done.lines()
        assert {check.what for check in done.checks} == {
            "report", "inputs", "study", "version", "code", "packages", "rebuild",
        }  # fmt: skip
        assert done.lines()[-1] == "This report can be repeated from what lies there."

    def test_what_was_tampered_with_is_named(self, built: Built, tmp_path: Path, server: ForkServer | None) -> None:
        copied = tmp_path / "copy"
        shutil.copytree(built.folder, copied)
        table_file = copied / "inputs" / "fish.csv"
        table_file.write_text(fish_table(39), encoding="utf-8")
        (copied / "results.json").unlink()
        with pytest.raises(ReportError):
            verify_build(copied)
        (copied / "results.json").write_bytes((built.folder / "results.json").read_bytes())
        (copied / "extra.txt").write_text("?")
        done = verify_build(copied, study=built.folder.parent, notebooks=NOTEBOOKS, server=server)
        assert not done.repeatable
        checks = {check.what: check for check in done.checks}
        assert checks["report"].items == ("extra.txt (not recorded)", "inputs/fish.csv")
        assert checks["inputs"].items == ("fish.csv",)
        assert checks["study"].outcome == "same"
        assert "results.json" in checks["rebuild"].items
        assert "1 result moved" in checks["rebuild"].text

    def test_metadata_that_say_otherwise_are_named(self, built: Built, tmp_path: Path, server: ForkServer | None) -> None:
        copied = tmp_path / "copy"
        shutil.copytree(built.folder, copied)
        crate = json.loads((copied / "ro-crate-metadata.json").read_text(encoding="utf-8"))
        for entity in crate["@graph"]:
            if entity["@id"] == "#parameter/seed":
                entity["value"] = 99
            entity.pop("startTime", None)  # when it was built is no matter
        (copied / "ro-crate-metadata.json").write_text(json.dumps(crate), encoding="utf-8")
        done = verify_build(copied, notebooks=NOTEBOOKS, server=server)
        assert not done.repeatable
        assert done.checks[-1].items == ("#parameter/seed",)

    def test_without_building_again(self, built: Built) -> None:
        done = verify_build(built.folder, rebuild=False)
        assert not done.repeatable
        assert done.checks[-1].outcome == "unknown"

    def test_input_outside_the_report_is_refused(self, built: Built, tmp_path: Path) -> None:
        copied = tmp_path / "copy"
        shutil.copytree(built.folder, copied)
        crate = copied / "ro-crate-metadata.json"
        crate.write_text(crate.read_text().replace("#input/fish.csv", "#input/../../fish.csv"))
        with pytest.raises(ReportError, match="outside the report"):
            verify_build(copied, rebuild=False)
