"""The command line as hostile input: arguments of every kind; and what it writes for people on studies of hostile names."""

from __future__ import annotations

import contextlib
import io
import json
import random
import unicodedata
import zipfile
from xml.etree import ElementTree

from chapters import hostile_study
from documents import check_book
from field_files import write_csv
from ground import JARGON, LONGEST_MESSAGE, Case, Escape, Surface, Unclear, Wrong
from material import NUMBERS, PATHS, any_text
from page_reader import check_csv, check_names
from study_files import FILE

from fishreport import cli
from fishreport.fielddata import load_survey
from fishreport.report.handover import export_study
from fishreport.study import read_study

COMMANDS = ("new", "check", "build", "sheets", "export", "simulate", "review", "verify", "brief", "batch", "frob", "")
_OPTIONS = (
    "--out", "--set", "--season", "--chapters", "--format", "--jobs", "--fresh", "--quiet", "--csv", "--to", "--coarsen", "--report", "--only",
    "--seed", "--seasons", "--sites", "--clean", "--name", "--conductivity", "--specific", "--temperature", "--help", "--version", "-", "--", "--se", "-x",
)  # fmt: skip


def _word(chance: random.Random) -> str:
    return chance.choice(
        (
            any_text(chance).replace("\0", ""),
            chance.choice(PATHS[:2]),
            chance.choice(NUMBERS),
            chance.choice(
                (
                    "study",
                    "study/study.toml",
                    "missing",
                    "/dev/null",
                    "study/runs.csv",
                    "elsewhere",
                    "-5",
                    "0",
                    "1",
                    "2025",
                    "html",
                    "docx",
                    "season",
                )
            ),
            "\udcff\udc80",
            "level=0.9",
            "",
            "a" * 5000,
        )
    )


def _run(arguments: list[str]) -> tuple[int, str, str]:
    """Exit status, standard output and standard error, the streams as strict as a pipe."""
    out, err = (
        io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors=errors, write_through=True)
        for errors in ("strict", "backslashreplace")
    )
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = cli.main(arguments)
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 1
    texts = [stream.buffer.getvalue().decode("utf-8", "replace") for stream in (out, err)]  # type: ignore[attr-defined]
    return status, texts[0], texts[1]


def judge_run(arguments: list[str]) -> str:
    """Run the command line and look at how it ended and what it said."""
    status, out, err = _run(arguments)
    if status not in (0, 1, 2, 3):
        raise Unclear(f"exit status {status}")
    if status and not err.strip():
        raise Unclear(f"exit status {status} without a word")
    found = [word for word in JARGON if word in err]
    if found:
        raise Unclear(f"jargon {found}: {err[-400:]!r}")
    if len(err) > 3 * LONGEST_MESSAGE:
        raise Unclear(f"{len(err)} characters on standard error: {err[:300]!r}")
    for name, text in (("output", out), ("error", err)):
        loose = {sign for sign in text if unicodedata.category(sign) == "Cc" and sign not in "\n\t\r"}
        if loose:
            raise Escape(f"control characters {loose} on standard {name}")
    return "refused" if status else "taken"


def arguments(case: Case) -> str:
    """Any arguments of any command, on a folder with a sound study."""
    chance = case.chance
    (case.study / "study.toml").write_text(FILE, encoding="utf-8")
    from field_files import ROWS

    for name in ("runs", "fish"):
        (case.study / f"{name}.csv").write_text(write_csv(ROWS[name]), encoding="utf-8")
    (case.folder / "elsewhere").mkdir()
    (case.folder / "elsewhere" / "thesis.docx").write_text("mine")
    command = chance.choice(COMMANDS)
    words = [command] if command else []
    if chance.random() < 0.8:
        words.append("study" if chance.random() < 0.6 else _word(chance))
    for _ in range(chance.choice((0, 0, 1, 2, 3))):
        words.append(chance.choice(_OPTIONS))
        if chance.random() < 0.8:
            words.append(_word(chance))
    if command == "build":  # a whole build is a case of its own
        words += ["--format", chance.choice(("docx", "", "html,exe"))] if chance.random() < 0.7 else ["--set", "season.year=1700"]
    if command == "simulate":
        words += ["--seasons", chance.choice(("1", "2", "0", "-1")), "--sites", chance.choice(("1", "2", "x"))]
    if command == "batch":
        words += ["--jobs", "0"]
    # Where a user asks for a folder is where it goes: no case asks for one outside its own.
    words = [word.replace("\0", "").replace("/tmp/", "tmp/").replace("../", "").replace("/dev/null/", "null/") for word in words]
    outcome = judge_run(words)
    if (case.folder / "elsewhere" / "thesis.docx").read_text() != "mine" or not (case.study / "study.toml").is_file():
        raise Escape(f"a file of the user's was changed by {words}")
    return outcome


def told(case: Case) -> str:
    """What ``check`` prints and lists of tables full of hostile text."""
    from field_files import KINDS, STUDY, copy_rows, spoil_cells

    tables = copy_rows()
    for _ in range(case.chance.randrange(4)):
        spoil_cells(case.chance, tables)
    (case.study / "study.toml").write_text(
        STUDY.format(data="\n".join(f'{name} = "{name}.csv"' for name in KINDS)), encoding="utf-8"
    )
    for name, rows in tables.items():
        (case.study / f"{name}.csv").write_text(write_csv(rows), encoding="utf-8", errors="replace")
    outcome = judge_run(["check", "study"])
    check_csv((case.study / "checks.csv").read_bytes())
    return outcome


def field_sheets(case: Case) -> str:
    """Field sheets and their workbook for a study whose every name is hostile."""
    from fishreport.report.sheets import print_sheets

    study, _ = hostile_study(case)
    for path in print_sheets(study, case.folder / "sheets"):
        if path.suffix == ".xlsx":
            check_book(path.read_bytes(), 0)
    check_names(case.folder / "sheets")
    return "taken"


def handed_on(case: Case) -> str:
    """Darwin Core archive and data package of a survey whose every name is hostile; the package reads back the same."""
    study, _ = hostile_study(case)
    survey = load_survey(study)
    handed = export_study(study, case.folder / "handed", parts=["darwin-core", "data-package"])
    check_names(handed.folder)
    for path in handed.files:
        if path.suffix == ".zip":
            with zipfile.ZipFile(path) as packed:
                for part in packed.namelist():
                    content = packed.read(part)
                    if part.endswith(".xml"):
                        ElementTree.fromstring(content)
                    elif part.endswith((".txt", ".csv")):
                        check_csv(content)
        elif path.suffix == ".csv":
            check_csv(path.read_bytes())
        elif path.suffix == ".json":
            json.loads(path.read_bytes())
    again = load_survey(read_study(handed.folder / "data-package"))
    if len(again.fish) != len(survey.fish) or len(again.runs) != len(survey.runs):
        raise Wrong(
            f"{len(survey.fish)} fish of {len(survey.runs)} runs were handed on and {len(again.fish)} of {len(again.runs)} read back"
        )
    if abs(again.fish["length_mm"].sum() - survey.fish["length_mm"].sum()) > 1e-6:
        raise Wrong("lengths changed on the way")
    return "taken"


SURFACES = (
    Surface("arguments", arguments, share=7, fixed=14),
    Surface("list of checks", told, share=3, fixed=6),
    Surface("field sheets", field_sheets, share=1, fixed=4, seconds=40),
    Surface("handing on", handed_on, share=2, fixed=6, seconds=40),
)
