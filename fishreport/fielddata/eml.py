"""A minimal description of the data set in the Ecological Metadata Language, version 2.2.0 (eml.ecoinformatics.org)."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from xml.etree import ElementTree

import numpy as np

from fishreport.fielddata.coarsen import coordinates
from fishreport.fielddata.harmless import RULE
from fishreport.fielddata.survey import Survey
from fishreport.study import Study

EML = "https://eml.ecoinformatics.org/eml-2.2.0"
_XSI = "http://www.w3.org/2001/XMLSchema-instance"


def _clean(text: str) -> str:
    """Text without the signs that XML does not allow."""
    return "".join(sign for sign in text if sign in "\t\n" or (sign >= " " and sign not in "\ufffe\uffff"))


def _add(parent: ElementTree.Element, path: str, text: str = "") -> ElementTree.Element:
    """Add an element, and those above it, by a path such as ``coverage/temporalCoverage``."""
    for name in path.split("/"):
        parent = ElementTree.SubElement(parent, name)
    if text:
        parent.text = _clean(text)
    return parent


def _coverage(dataset: ElementTree.Element, study: Study, survey: Survey, scientific: Mapping[str, str]) -> None:
    runs = survey.runs
    places = coordinates(runs)
    known = places is not None and bool((~np.isnan(places[0]) & ~np.isnan(places[1])).any())
    if not known and runs.empty and not scientific:
        return
    coverage = _add(dataset, "coverage")
    if known:
        assert places is not None
        place = _add(coverage, "geographicCoverage")
        _add(place, "geographicDescription", ", ".join(filter(None, (study.water.name, study.water.region))))
        box = _add(place, "boundingCoordinates")
        latitude, longitude = places
        for name, value in (
            ("westBoundingCoordinate", np.nanmin(longitude)),
            ("eastBoundingCoordinate", np.nanmax(longitude)),
            ("northBoundingCoordinate", np.nanmax(latitude)),
            ("southBoundingCoordinate", np.nanmin(latitude)),
        ):
            _add(box, name, f"{value:.4f}")
    if len(runs):
        days = _add(coverage, "temporalCoverage/rangeOfDates")
        _add(days, "beginDate/calendarDate", f"{runs['date'].min():%Y-%m-%d}")
        _add(days, "endDate/calendarDate", f"{runs['date'].max():%Y-%m-%d}")
    if scientific:
        taxa = _add(coverage, "taxonomicCoverage")
        for species in study.species.values():
            if species.key in scientific:
                taxon = _add(taxa, "taxonomicClassification")
                _add(taxon, "taxonRankName", "species")
                _add(taxon, "taxonRankValue", scientific[species.key])
                _add(taxon, "commonName", species.name)


def eml_bytes(study: Study, survey: Survey, scientific: Mapping[str, str], statement: str = "") -> bytes:
    """The description of a study's field data.

    Parameters
    ----------
    study, survey : Study, Survey
    scientific : mapping
        Species key → scientific name.
    statement : str
        What else a reader must know, such as that places were made coarse.
    """
    title = study.report.title or f"Electrofishing survey of {study.water.name}, {study.season.year}"
    identifier = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{study.water.name}\0{study.season.year}\0{statement}"))
    ElementTree.register_namespace("eml", EML)
    ElementTree.register_namespace("xsi", _XSI)
    root = ElementTree.Element(
        f"{{{EML}}}eml",
        {"packageId": identifier, "system": "uuid", f"{{{_XSI}}}schemaLocation": f"{EML} {EML}/eml.xsd"},
    )
    dataset = _add(root, "dataset")
    _add(dataset, "title", title)
    who = study.report.author or "not named"
    _add(dataset, "creator/organizationName", who)
    _add(dataset, "pubDate", str(study.season.year))
    _add(dataset, "language", study.report.language)
    listed = ", ".join(species.name for species in study.species.values())
    kind = f"a {study.water.kind}, " if study.water.kind else ""
    _add(
        dataset,
        "abstract/para",
        f"Timed electrofishing runs on {study.water.name}, {kind}seasons up to {study.season.year}. Species of the survey: "
        f"{listed}. {statement}".strip(),
    )
    _add(dataset, "intellectualRights/para", "The license is set by the owner of the data.")
    _coverage(dataset, study, survey, scientific)
    _add(dataset, "contact/organizationName", who)
    _add(
        dataset,
        "methods/methodStep/description/para",
        "Each event is one run with pulsed or smooth direct current; the sample size is the time that current was in the water. "
        "Times of day are local. A species of the survey of which a run caught none is recorded as absent from that run's catch: "
        f"electrofishing catches only a part of the fish present. {RULE}",
    )
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True) + b"\n"
