"""Field sheets on paper: run header, fish log, fish care and power, as a tagged PDF; and the workbook to type them into."""

from __future__ import annotations

import datetime
import json
import os
import secrets
from pathlib import Path
from typing import Any

import numpy as np

from fishreport.analysis.care import PowerGoals, care_log, power_goals, stop_numbers, water_today
from fishreport.exceptions import FishreportError, ReportError, UsageError
from fishreport.fielddata import load_survey
from fishreport.fielddata.schema import FATES
from fishreport.fielddata.sheets import MARKS, write_workbook
from fishreport.fielddata.survey import Survey
from fishreport.report.typst_text import FONT, drawable, font_folder
from fishreport.resources import locate
from fishreport.study import Study

SHEETS, WORKBOOK, DEFAULT_FOLDER = "field-sheets.pdf", "field-data.xlsx", "field-sheets"
MAKER = "fishreport field sheets"
_MARKS_SHOWN, _SITES_SHOWN, _SPECIES_SHOWN = 10, 30, 6
_HANDLED = (10, 20, 30, 50, 75, 100, 150, 200)
_SAFETY = (
    "Life jacket, dry insulating gloves and boots, on everyone",
    "Trained in first aid and resuscitation: at least two aboard",
    "Emergency stop and foot switches tested",
    "Cables, electrodes and hull bonding looked over",
    "Signals agreed; who cuts the current is named",
    "No person or animal in the water or touching it",
    "Lights for deck and shore; watch for anglers and boats",
    "Flow, release schedule and weather known; float plan ashore",
)
_NO_CURRENT = (
    "No current until every box is ticked. Any doubt, anyone's: current off. Local rules, permits, the maker's instructions and "
    "the licensed crew leader decide."
)
_LOG_NOTE = (
    "Length: tip of the snout to the end of the pinched tail. Again = carried a tag or mark from before: Y. Nothing measured: "
    "leave it empty. Dark bar, bent back, bleeding or no recovery: fate I, and the care sheet."
)
_SEEN = (("B", "dark bar"), ("S", "bent back"), ("G", "bleeding gills"), ("N", "does not recover"), ("H", "hook or net wound"))
_ANAESTHETIC = (
    "Anaesthetics only as the permit, the label and the responsible veterinarian or other licensed person allow. Fish that "
    "people may eat are held for the withdrawal time on the label."
)
_DECIDE = (
    "Current in water can kill. Begin with the lowest settings and raise them only until fish are turned and recover within "
    "seconds. Local rules, permits and licensed practice decide."
)


def mark_codes(marks: list[str]) -> list[tuple[str, str]]:
    """Marks with a short code to write.

    The initials of their words; where two marks have the same, three letters of each word that tells them apart
    (left pelvic clip LPELC, left pectoral clip LPECC), and a number where that does not help either.
    """
    words = {mark: mark.split() for mark in marks}
    initials = {mark: "".join(word[0] for word in parts) for mark, parts in words.items()}
    codes: dict[str, str] = {}
    for mark in marks:
        alike = [words[other] for other in marks if initials[other] == initials[mark]]
        told_apart = [len({other[place] for other in alike}) > 1 for place in range(len(words[mark]))]
        code = "".join(word[:3] if apart else word[0] for word, apart in zip(words[mark], told_apart, strict=True)).upper()
        number, tried = 2, code
        while tried in codes:
            tried, number = f"{code}{number}", number + 1
        codes[tried] = mark
    return list(codes.items())


def _marks(survey: Survey | None) -> list[str]:
    """Marks on record, the commonest first, then the usual ones."""
    used: list[str] = []
    if survey is not None:
        seen = survey.fish.loc[survey.fish["mark"].ne(""), "mark"].value_counts()
        used = [str(mark) for mark in seen.index]
        used += [str(mark) for mark in survey.stocking["mark"].unique() if mark]
    return list(dict.fromkeys([*used, *MARKS]))[:_MARKS_SHOWN]


def _sites(study: Study, survey: Survey | None) -> list[str]:
    """Sites of the last season on record, downstream, as they are written in the tables."""
    if survey is None or survey.runs.empty:
        return [stratum.reach for stratum in study.water.strata]
    runs = survey.runs[survey.runs["season"] == survey.runs["season"].max()]
    places = runs.groupby("site", sort=False).agg(reach=("reach", "first"), km=("river_km", "mean")).reset_index()
    listed = places.sort_values(["km", "site"], kind="stable").to_dict("records")
    shown = [
        " ".join(filter(None, (row["site"], row["reach"], "" if np.isnan(row["km"]) else f"km {row['km']:.1f}")))
        for row in listed
    ]
    more = len(shown) - _SITES_SHOWN
    return shown[:_SITES_SHOWN] + ([f"and {more} more"] if more > 0 else [])


def _species(study: Study) -> list[dict[str, str]]:
    listed = []
    for code, one in list(study.species.items())[:_SPECIES_SHOWN]:
        longest = f", longest known {one.maximum_length_mm:g} mm" if one.maximum_length_mm else ""
        listed.append({"code": code, "name": one.name, "range": longest})
    return listed


def _stops(usual_percent: float) -> dict[str, Any]:
    if np.isnan(usual_percent):
        return {
            "stop-heads": [],
            "stops": [],
            "stop-note": "Two fish harmed in one run: current off, lower the settings, look again. No share is on record yet.",
        }
    numbers = stop_numbers(usual_percent, _HANDLED)
    note = (
        f"So many harmed would come about by chance on one night in a hundred at most, where {usual_percent:.1f}% are harmed as "
        "a rule (all seasons on record; fish taken as independent; the rule is our own). Then: current off, lower the settings, "
        "find out why. Stop sooner whenever fish do not recover."
    )
    return {
        "stop-heads": ["Handled so far", *(str(handled) for handled in numbers)],
        "stops": [["Harmed", *(str(harmed) for harmed in numbers.values())]],
        "stop-note": note,
    }


def _power(goals: PowerGoals | None) -> dict[str, Any]:
    from fishreport.exhibits.care import conversion_heads, conversion_rows, power_notes, power_rows
    from fishreport.exhibits.units import METRIC

    conversion = {
        "conversion-heads": ["At 25 °C", *conversion_heads(METRIC)],
        "conversion": [list(row) for row in conversion_rows(METRIC)],
    }
    if goals is None:
        note = "The study names no settings that worked on this water; write them under [electrofishing] in study.toml for goals."
        return {"power-heads": [], "power": [], "marked": [], "power-notes": [note], **conversion}
    rows = power_rows(goals)
    return {
        "power-heads": ["Water µS/cm", "Multiplier", "Voltage V", "Current A", "Power W", "Note"],
        "power": [list(row) for row in rows],
        "marked": [place for place, row in enumerate(rows) if row[5]],
        "power-notes": list(power_notes(goals)),
        **conversion,
    }


def sheet_content(study: Study, survey: Survey | None, goals: PowerGoals | None) -> dict[str, Any]:
    """Everything that stands on the sheets of a study, as text and lists.

    Parameters
    ----------
    study : Study
    survey : Survey | None
        Brings sites, marks and the usual share of harmed fish; None before the first season.
    goals : PowerGoals | None
    """
    from fishreport.methods.cautions import PULSE_CAUTIONS

    usual = care_log(study, survey).usual_percent if survey is not None else float("nan")
    letter = study.report.units == "us"
    return {
        "title": f"Field sheets, {study.water.name}",
        "water": study.water.name,
        "maker": MAKER,
        "language": study.report.language.split("-")[0],
        "paper": "us-letter" if letter else "a4",
        "font": FONT,
        "species": _species(study),
        "sites": _sites(study, survey),
        "marks": [list(pair) for pair in mark_codes(_marks(survey))],
        "fates": [[fate[0].upper(), fate] for fate in FATES],
        "safety": list(_SAFETY),
        "no-current": _NO_CURRENT,
        "log-rows": 19 if letter else 20,
        "log-note": _LOG_NOTE,
        "harm-rows": 6 if letter else 8,
        "seen": [list(pair) for pair in _SEEN],
        **_stops(usual),
        "anaesthetic": _ANAESTHETIC,
        **_power(goals),
        "cautions": [[one.text, one.source] for one in PULSE_CAUTIONS],
        "decide": _DECIDE,
    }


def _drawable(value: Any) -> Any:
    """The same content with text that the font can draw, on one line each."""
    if isinstance(value, str):
        return " ".join(drawable(value).split()) if value.strip() else ""
    if isinstance(value, dict):
        return {key: _drawable(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_drawable(item) for item in value]
    return value


def render_sheets(content: dict[str, Any], *, season: int) -> bytes:
    """The sheets as PDF/UA-1; its date is the last day of the season, so that the same inputs give the same bytes.

    Raises
    ------
    ReportError
        If Typst refuses the document.
    """
    import typst

    folder = locate("templates") / "sheets"
    moment = datetime.datetime(season, 12, 31, tzinfo=datetime.UTC)
    compiler = typst.Compiler(
        str(folder / "sheets.typ"),
        root=str(folder),
        font_paths=[str(font_folder())],
        ignore_system_fonts=True,
        sys_inputs={"sheets": json.dumps(_drawable(content), ensure_ascii=False)},
    )
    try:
        pdf, _ = compiler.compile_with_warnings(format="pdf", pdf_standards=["ua-1"], timestamp=moment)
    except typst.TypstError as error:
        raise ReportError(f"the field sheets could not be set: {error.message}\n{error.diagnostic}") from None
    assert isinstance(pdf, bytes)
    return pdf


def _put(path: Path, content: bytes) -> None:
    """Write a file in one step; refuses one that is not a field sheet of ours."""
    if path.exists() and (not path.is_file() or MAKER.encode() not in path.read_bytes()):
        raise UsageError(f"{path} is there already and is no field sheet made by fishreport; name another folder with --out")
    partial = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        partial.write_bytes(content)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def print_sheets(
    study: Study,
    folder: Path | str | None = None,
    *,
    ambient_us_cm: float | None = None,
    specific_us_cm: float | None = None,
    temperature_c: float | None = None,
) -> list[Path]:
    """Print the field sheets of a study, and lay the workbook to type them into beside them.

    Parameters
    ----------
    study : Study
    folder : Path, optional
        Where they go; the folder ``field-sheets`` of the study otherwise.
    ambient_us_cm, specific_us_cm, temperature_c : float, optional
        Today's water for the power table: conductivity as met, or specific conductance at 25 °C with the temperature; without
        them the last reading on record stands for today.

    Returns
    -------
    list[Path]
        The files written: the PDF, and the workbook unless one is there already (it may hold data, and is left as it is).

    Raises
    ------
    UsageError
        If a file is in the way that is not ours, or the folder cannot be written.
    InputError
        If today's readings do not go together.
    ReportError
        If the PDF cannot be set.
    """
    target = Path(os.path.abspath(folder if folder is not None else study.folder / DEFAULT_FOLDER))  # noqa: PTH100
    survey: Survey | None
    try:
        survey = load_survey(study, strict=False)
    except FishreportError:  # before the first season there are no tables yet
        survey = None
    today = water_today(survey, ambient_us_cm=ambient_us_cm, specific_us_cm=specific_us_cm, temperature_c=temperature_c)
    pdf = render_sheets(sheet_content(study, survey, power_goals(study, today)), season=study.season.year)
    try:
        target.mkdir(parents=True, exist_ok=True)
        _put(target / SHEETS, pdf)
    except OSError as error:
        raise UsageError(f"{target} cannot be written ({error.strerror})") from None
    written = [target / SHEETS]
    if not (target / WORKBOOK).exists():
        written.append(write_workbook(study, target / WORKBOOK))
    return written
