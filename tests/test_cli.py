"""The command line: what it parses, where it tells, how it ends."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import pytest

from fishreport import __version__, cli
from fishreport.exceptions import ChapterError, ReportError


def run(*arguments: str) -> int:
    try:
        return cli.main(list(arguments))
    except SystemExit as end:  # argparse's own way out
        return int(end.code or 0)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    folder = tmp_path / "water"
    assert run("new", str(folder), "--name", "Alder Tailwater", "--season", "2025") == 0
    (folder / "runs.csv").write_text(
        "run_id,site,date,effort_s\nR1,Weir,2025-09-14,600\nR2,Ford,2025-09-14,600\n", encoding="utf-8"
    )
    return folder


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("frob",),
        ("build",),
        ("check",),
        ("build", "x", "--jobs", "0"),
        ("build", "x", "--jobs", "two"),
        ("simulate", "x", "--seed", "a"),
        ("simulate", "x", "--seed", "-1"),
        ("simulate", "x", "--sites", "37"),
        ("sheets", "x", "--conductivity", "-5"),
        ("sheets", "x", "--specific", "nan"),
    ],
)
def test_wrong_usage(arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*arguments) == 2
    assert "usage: fishreport" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("option", "told"),
    [
        (("build", "x", "--jobs", "x"), "argument --jobs: a whole number from 1 on, not 'x'"),
        (("simulate", "x", "--sites", "99"), "argument --sites: a whole number from 3 to 36, not '99'"),
        (("sheets", "x", "--conductivity", "-5"), "argument --conductivity: a number above 0, not '-5'"),
    ],
)
def test_options_say_what_they_take(option: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*option) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("command", ["new", "check", "build", "simulate"])
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(command, "--help") == 0
    shown = capsys.readouterr().out
    assert "Exit status" in shown


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--version") == 0
    assert capsys.readouterr().out.strip() == f"fishreport {__version__}"


def test_help_imports_no_heavy_library() -> None:
    code = (
        "import sys\nfrom fishreport.cli.parser import _parser\n_parser().format_help()\n"
        "print(sorted({'numpy', 'pandas', 'matplotlib', 'papermill', 'pydantic', 'rich'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_new_refuses_to_write_over(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run("new", str(study)) == 1
    assert "nothing was written" in capsys.readouterr().err


def test_check_lists_faults_and_writes_them(study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (study / "fish.csv").write_text("run_id,species,length_mm\nR1,BNT,300\nR9,BNT,310\nR1,BNT,=1+1\n", encoding="utf-8")
    capsys.readouterr()
    listed = tmp_path / "faults.csv"
    assert run("check", str(study), "--csv", str(listed)) == 1
    told = capsys.readouterr()
    assert "error: fish.csv, row 3, run_id 'R9'" in told.out
    assert told.err.startswith("2 errors")
    with listed.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["severity"] for row in rows].count("error") == 2
    assert {row["value"] for row in rows if row["severity"] == "error"} == {"R9", "'=1+1"}  # a spreadsheet must not run it


def test_faults_that_differ_in_the_row_alone_are_told_once(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = ["R9"] * 3 + ["R1"] + ["R8", "R1"] * 8
    fish = "run_id,species\n" + "".join(f"{run_id},BNT\n" for run_id in rows)
    (study / "fish.csv").write_text(fish, encoding="utf-8")
    assert run("check", str(study)) == 1
    told = [line for line in capsys.readouterr().out.splitlines() if line.startswith("error")]
    assert [line.split("fish.csv, ")[1].split(", run_id")[0] for line in told] == [
        "rows 2 to 4",
        "rows 6, 8, 10, 12, 14, 16 and 2 more",
    ]
    with (study / "checks.csv").open(encoding="utf-8", newline="") as stream:
        assert sum(row["severity"] == "error" for row in csv.DictReader(stream)) == 11


def test_sheets_tell_of_the_workbook(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run("sheets", str(study)) == 0
    assert 'workbook = "field-sheets/field-data.xlsx"' in capsys.readouterr().err
    assert run("sheets", str(study)) == 0
    told = capsys.readouterr()
    assert "left as it is" in told.err and "field-data.xlsx" not in told.out
    file = study / "study.toml"
    text = file.read_text(encoding="utf-8").replace("# workbook =", "workbook =")
    file.write_text(text, encoding="utf-8")
    assert run("check", str(study)) == 1
    assert "field-data.xlsx (sheet runs): there are no runs yet" in capsys.readouterr().out


def test_a_folder_of_studies_is_named_as_such(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", str(study.parent)) == 1
    assert "there are some in water: name one, or run `fishreport batch`" in capsys.readouterr().err


def test_check_of_sound_data(study: Path) -> None:
    (study / "fish.csv").write_text("run_id,species,length_mm\nR1,BNT,300\nR2,BNT,310\n", encoding="utf-8")
    assert run("check", str(study)) == 0


@pytest.mark.parametrize(
    ("arguments", "status", "told"),
    [
        (("check", "nowhere"), 1, "no study here"),
        (("build", "nowhere"), 1, "no study here"),
        (("batch", "nowhere"), 1, "there is no folder"),
        (("review", "nowhere", "--set", "level=0.9"), 1, "no study here"),
        (("review", "nowhere", "{study}"), 1, "holds no report"),
        (("review", "--verify", "{study}"), 1, "holds no report"),
        (("review", "--verify", "{study}", "--json", "no/where.json"), 2, "there is no folder no"),
        (("review", "--verify", "{study}", "{study}"), 2, "one report"),
        (("build", "{study}", "--format", "docx"), 2, "html, pdf"),
        (("build", "{study}", "--set", "level"), 2, "KEY=VALUE"),
        (("build", "{study}", "--set", "level=7"), 1, "parameters.level: must be below 1; got 7 (given on top of the file"),
        (("build", "{study}", "--set", "parameters.levle=0.9"), 1, "did you mean 'level'? (given on top of the file"),
        (
            ("build", "{study}", "--set", "levle=0.9"),
            2,
            "--set: levle: there is no such parameter; did you mean 'level'?",
        ),
        (("build", "{study}", "--set", "horizon_year=9"), 2, "did you mean 'horizon_years'?"),
        (("build", "{study}", "--out", "{study}"), 2, "holds the study"),
        (("check", "{study}", "--csv", "{study}/no/where.csv"), 2, "cannot be written"),
    ],
)
def test_expected_failures(
    arguments: tuple[str, ...],
    status: int,
    told: str,
    study: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    capsys.readouterr()
    assert run(*(argument.replace("{study}", str(study)) for argument in arguments)) == status
    error = capsys.readouterr().err
    assert told in error
    assert "Traceback" not in error


@pytest.mark.parametrize(
    ("failure", "status"),
    [(ChapterError("02-abundance", 3, "ValueError: x"), 3), (ReportError("x"), 1), (KeyboardInterrupt(), 130)],
)
def test_failures_of_a_build_become_exit_statuses(
    failure: BaseException, status: int, study: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*arguments: object, **options: object) -> None:
        raise failure

    monkeypatch.setattr("fishreport.report.build.build_report", fail)
    assert run("build", str(study)) == status
    assert "Traceback" not in capsys.readouterr().err


def test_build_passes_on_what_was_asked(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: dict[str, object] = {}

    def note(path: Path, **options: object) -> None:
        asked.update(options, study=path)
        raise ReportError("enough")

    monkeypatch.setattr("fishreport.report.build.build_report", note)
    arguments = [
        "--season",
        "2024",
        "--set",
        "level=0.9",
        "--set",
        "water.region=Upper",
        "--chapters",
        "season, abundance",
        "--format",
        "html",
    ]
    run("build", str(study), *arguments, "--jobs", "3", "--fresh", "--out", "there")
    asked.pop("progress")
    assert asked == {
        "study": study,
        "out": Path("there"),
        "settings": {"parameters.level": 0.9, "water.region": "Upper"},
        "season": 2024,
        "chapters": ["season", "abundance"],
        "formats": ["html"],
        "jobs": 3,
        "fresh": True,
    }


def test_simulate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("simulate", str(tmp_path / "s"), "--seed", "3", "--seasons", "2", "--sites", "3", "--clean") == 0
    assert (tmp_path / "s" / "study.toml").is_file()
    assert run("check", str(tmp_path / "s")) == 0
    assert run("simulate", str(tmp_path / "s"), "--seed", "3") == 1


def test_a_list_of_checks_never_takes_the_place_of_a_file_of_the_users(study, capsys):
    (study / "checks.csv").write_text("my own list\n", encoding="utf-8")
    (study / "fish.csv").write_text("run_id,species,length_mm\nR1,BNT,300\nR2,BNT,310\n", encoding="utf-8")
    assert run("check", str(study)) == 0
    assert "no list of them is written" in capsys.readouterr().err
    assert (study / "checks.csv").read_text(encoding="utf-8") == "my own list\n"
    assert run("check", str(study), "--csv", str(study / "checks.csv")) == 2


def test_the_list_of_checks_lies_in_the_study(study, capsys):
    (study / "fish.csv").write_text("run_id,species,length_mm\nR1,BNT,300\nR9,BNT,310\n", encoding="utf-8")
    for _ in range(2):
        assert run("check", str(study)) == 1
    assert "orphan_run" in (study / "checks.csv").read_text(encoding="utf-8")
