"""The checked field data as a Darwin Core archive of sampling events: runs, fish caught and not caught, and what was measured.

Darwin Core text guidelines (dwc.tdwg.org/text); event core with an occurrence extension and an extended measurement-or-fact
extension, whose rows name the occurrence that they belong to.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

import numpy as np
import pandas as pd

from fishreport.exceptions import StandardError
from fishreport.fielddata.coarsen import Coarsened, coordinates
from fishreport.fielddata.eml import eml_bytes
from fishreport.fielddata.harmless import harmless, harmless_column
from fishreport.fielddata.survey import Survey
from fishreport.species import load_standards
from fishreport.study import Study

TERMS = "http://rs.tdwg.org/dwc/terms/"
TEXT = "http://rs.tdwg.org/dwc/text/"
EVENT, OCCURRENCE = f"{TERMS}Event", f"{TERMS}Occurrence"
MEASUREMENT = "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact"
_BINOMIAL = re.compile(r"[A-Z][a-z]+ [a-z]+")
# Column of the runs table → type and unit of the measurement.
_AT_RUN = {
    "voltage_v": ("peak voltage", "V"),
    "current_a": ("peak current", "A"),
    "pulse_hz": ("pulse rate", "Hz"),
    "duty_pct": ("duty cycle", "%"),
    "conductivity_us_cm": ("conductivity of the water as met", "µS/cm"),
    "water_temperature_c": ("water temperature", "°C"),
    "discharge_m3_s": ("discharge", "m³/s"),
    "visibility_m": ("depth to which fish are seen", "m"),
    "length_m": ("length of water fished", "m"),
    "width_m": ("mean wetted width fished", "m"),
    "river_km": ("distance along the river", "km"),
    "pass_number": ("pass of a removal estimate", ""),
    "netters": ("people who net", ""),
}
_OF_FISH = {"length_mm": ("total length", "mm"), "weight_g": ("wet weight", "g")}
_WORDS_OF_FISH = {"mark": "mark", "fate": "fate after handling"}


@dataclass(frozen=True)
class ArchiveTable:
    """One file of an archive: its rows, its kind, and (in an extension) the core row of each as its first column."""

    file: str
    row_type: str
    frame: pd.DataFrame

    def csv(self) -> bytes:
        """The file."""
        stream = io.StringIO()
        self.frame.to_csv(stream, index=False, lineterminator="\n", quoting=csv.QUOTE_MINIMAL)
        return stream.getvalue().encode()


def _number(value: float) -> str:
    if np.isnan(value):
        return ""
    return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(float(value))


def _numbers(values: pd.Series | np.ndarray) -> list[str]:
    return [_number(value) for value in np.asarray(values, dtype=float)]


def events(study: Study, survey: Survey, coarse: Coarsened | None) -> pd.DataFrame:
    """One row a run."""
    runs = survey.runs
    gear = ("electrofishing, " + runs["gear"]).where(runs["gear"].ne(""), "electrofishing")
    date = runs["date"]
    reach = ", reach " + runs["reach"]
    reach = reach.where(runs["reach"].ne("") & runs["reach"].ne(runs["site"]), "")
    frame = pd.DataFrame(
        {
            "eventID": harmless_column(runs["run_id"]),
            "samplingProtocol": harmless_column(gear),
            "sampleSizeValue": _numbers(runs["effort_s"]),
            "sampleSizeUnit": "second",
            "samplingEffort": [f"{_number(seconds)} s of current in the water" for seconds in runs["effort_s"]],
            "eventDate": date.dt.strftime("%Y-%m-%d"),
            "eventTime": runs["start_time"],
            "year": date.dt.year.astype(str),
            "month": date.dt.month.astype(str),
            "day": date.dt.day.astype(str),
            "locationID": harmless_column(runs["site"]),
            "waterBody": harmless(study.water.name),
            "locality": harmless_column(runs["site"] + reach),
            "eventRemarks": harmless_column(runs["comments"]),
        }
    )
    places = coordinates(runs)
    if places is not None:
        known = ~np.isnan(places[0]) & ~np.isnan(places[1])
        frame["decimalLatitude"], frame["decimalLongitude"] = (
            [_number(value) if there else "" for value, there in zip(values, known, strict=True)] for values in places
        )
        frame["geodeticDatum"] = np.where(known, "not recorded", "")
        if coarse is not None:
            metres = f"{coarse.km * 1000 * np.sqrt(0.5):.0f}"
            frame["coordinateUncertaintyInMeters"] = np.where(known, metres, "")
    if coarse is not None:
        frame["dataGeneralizations"] = coarse.statement
        frame["informationWithheld"] = "exact place, time of day and remarks"
    return frame


def scientific_names(study: Study) -> dict[str, str]:
    """Species key → scientific name, as the published standards of the species give it; unknown ones are left out."""
    own = study.folder / "species.toml"
    standards = load_standards(own if own.is_file() else None)
    found = {}
    for species in study.species.values():
        for name in (species.standard, species.name):
            try:
                standard = standards.find(name) if name else None
            except StandardError:
                continue
            binomial = next((text for text in standard.synonyms if _BINOMIAL.fullmatch(text)), None) if standard else None
            if binomial:
                found[species.key] = binomial
                break
    return found


def _taxon(keys: pd.Series, codes: pd.Series, study: Study) -> dict[str, pd.Series | np.ndarray]:
    scientific = scientific_names(study)
    vernacular = {species.key: species.name for species in study.species.values()}
    named = pd.Series([scientific.get(key, "") for key in keys], keys.index, dtype="str")
    common = pd.Series([vernacular.get(key, "") for key in keys], keys.index, dtype="str")
    return {
        "scientificName": named,
        "taxonRank": np.where(named.ne(""), "species", ""),
        "kingdom": pd.Series("Animalia", keys.index),
        "vernacularName": harmless_column(common),
        "verbatimIdentification": harmless_column(codes),
    }


def _fish_ids(survey: Survey) -> pd.Series:
    place = survey.fish.groupby("run_id", sort=False).cumcount() + 1
    return (
        harmless_column(survey.fish["run_id"]) + ":" + pd.Series([f"{number:04d}" for number in place], place.index, dtype="str")
    )


def occurrences(study: Study, survey: Survey) -> pd.DataFrame:
    """One row a fish caught; and one, absent, for each run and species of the study of which it caught none."""
    fish = survey.fish
    present = pd.DataFrame(
        {
            "eventID": harmless_column(fish["run_id"]),
            "occurrenceID": _fish_ids(survey),
            "basisOfRecord": "HumanObservation",
            "occurrenceStatus": "present",
            "individualCount": "1",
            **_taxon(fish["species_key"], fish["species"], study),
            "organismID": harmless_column(fish["tag"]),
            "occurrenceRemarks": harmless_column(fish["comments"]),
        }
    )
    caught = set(zip(fish["run_id"], fish["species_key"], strict=True))
    codes = {species.key: code for code, species in study.species.items()}
    none = [(run, key) for run in survey.runs["run_id"] for key in codes if (run, key) not in caught]
    missing = pd.DataFrame(none, columns=["run_id", "key"], dtype="str")
    code = pd.Series([codes[key] for key in missing["key"]], missing.index, dtype="str")
    absent = pd.DataFrame(
        {
            "eventID": harmless_column(missing["run_id"]),
            "occurrenceID": harmless_column(missing["run_id"]) + ":absent:" + code,
            "basisOfRecord": "HumanObservation",
            "occurrenceStatus": "absent",
            "individualCount": "0",
            **_taxon(missing["key"], code, study),
            "organismID": "",
            "occurrenceRemarks": "none caught in this run",
        }
    )
    return pd.concat([present, absent], ignore_index=True)


def _rows(
    event: pd.Series,
    occurrence: pd.Series | str,
    kind: str,
    value: Sequence[str] | pd.Series,
    unit: str,
    *,
    method: pd.Series | str = "",
    remarks: pd.Series | str = "",
) -> pd.DataFrame:
    """Measurements of one type; what was not recorded is left out."""
    columns = {
        "occurrenceID": occurrence,
        "measurementType": kind,
        "measurementValue": list(value),
        "measurementUnit": unit,
        "measurementMethod": method,
        "measurementRemarks": remarks,
    }
    frame = pd.DataFrame({"eventID": event, **columns}, index=event.index)
    return frame[frame["measurementValue"].ne("")]


def measurements(survey: Survey) -> pd.DataFrame:
    """Settings and readings of each run; length, weight, mark, fate and age of each fish."""
    runs, fish, ages = survey.runs, survey.fish, survey.ages
    event, of_fish, ids = harmless_column(runs["run_id"]), harmless_column(fish["run_id"]), _fish_ids(survey)
    parts = [_rows(event, "", kind, _numbers(runs[name]), unit) for name, (kind, unit) in _AT_RUN.items()]
    tip = "tip of the snout to the end of the pinched tail"
    for name, (kind, unit) in _OF_FISH.items():
        parts.append(_rows(of_fish, ids, kind, _numbers(fish[name]), unit, method=tip if name == "length_mm" else ""))
    for name, kind in _WORDS_OF_FISH.items():
        parts.append(_rows(of_fish, ids, kind, harmless_column(fish[name]), ""))
    again = np.where(fish["recaptured"], "yes", "").tolist()
    parts.append(_rows(of_fish, ids, "carried a tag or mark from before", again, ""))
    sampled = pd.Series(np.arange(len(fish)), index=fish["age_sample"])
    sampled = sampled[(sampled.index != "") & ~sampled.index.duplicated()]
    place = sampled.reindex(ages["age_sample"]).to_numpy(dtype=float)
    read, place = ages[~np.isnan(place)], place[~np.isnan(place)].astype(int)
    if len(read):
        method = harmless_column(("read from the " + read["structure"]).where(read["structure"].ne(""), ""))
        reader = harmless_column(("reader " + read["reader"]).where(read["reader"].ne(""), ""))
        parts.append(
            _rows(
                pd.Series(of_fish.to_numpy()[place], read.index),
                pd.Series(ids.to_numpy()[place], read.index),
                "age",
                _numbers(read["age_years"]),
                "years",
                method=method,
                remarks=reader,
            )
        )
    frame = pd.concat(parts, ignore_index=True)
    frame.insert(1, "measurementID", [f"m{number:07d}" for number in range(1, len(frame) + 1)])
    return frame


def meta_xml(tables: Sequence[ArchiveTable]) -> bytes:
    """The archive's ``meta.xml``: the first table is the core, the others are its extensions."""
    archive = ElementTree.Element("archive", {"xmlns": TEXT, "metadata": "eml.xml"})
    for number, table in enumerate(tables):
        look = {
            "encoding": "UTF-8",
            "fieldsTerminatedBy": ",",
            "linesTerminatedBy": "\\n",
            "fieldsEnclosedBy": '"',
            "ignoreHeaderLines": "1",
            "rowType": table.row_type,
        }
        part = ElementTree.SubElement(archive, "extension" if number else "core", look)
        ElementTree.SubElement(ElementTree.SubElement(part, "files"), "location").text = table.file
        ElementTree.SubElement(part, "coreid" if number else "id", {"index": "0"})
        for index, name in enumerate(table.frame.columns):
            if number and not index:
                continue  # the first column of an extension is the id of its core row
            ElementTree.SubElement(part, "field", {"index": str(index), "term": TERMS + str(name)})
    ElementTree.indent(archive)
    return ElementTree.tostring(archive, encoding="UTF-8", xml_declaration=True) + b"\n"


def darwin_core(study: Study, survey: Survey, *, coarse: Coarsened | None = None) -> dict[str, bytes]:
    """The field data of a study as the files of a Darwin Core archive.

    Parameters
    ----------
    study, survey : Study, Survey
        The survey as `load_survey` gives it.
    coarse : Coarsened, optional
        The same survey made coarse; then only it is told of.

    Returns
    -------
    dict
        File name → content: ``meta.xml``, ``eml.xml``, ``event.csv``, ``occurrence.csv``, ``extendedmeasurementorfact.csv``.
        Terms are those of Darwin Core by their official addresses. Fish set aside are not in it; a species of the study of which
        a run caught none is an occurrence with the status absent.
    """
    told = coarse.survey if coarse is not None else survey
    tables = [
        ArchiveTable("event.csv", EVENT, events(study, told, coarse)),
        ArchiveTable("occurrence.csv", OCCURRENCE, occurrences(study, told)),
        ArchiveTable("extendedmeasurementorfact.csv", MEASUREMENT, measurements(told)),
    ]
    files = {"meta.xml": meta_xml(tables)}
    files["eml.xml"] = eml_bytes(study, told, scientific_names(study), coarse.statement if coarse is not None else "")
    return files | {table.file: table.csv() for table in tables}


def zipped(files: dict[str, bytes], year: int) -> bytes:
    """The files as a zip, the same bytes for the same files; its dates are the last day of `year`."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, (min(max(year, 1980), 2107), 12, 31, 0, 0, 0))
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            archive.writestr(entry, content)
    return stream.getvalue()
