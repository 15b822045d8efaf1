"""Finished reports and kept work, tampered with: review, verify, export and the next build read them."""

from __future__ import annotations

import atexit
import hashlib
import json
import random
import shutil
import sys
import tempfile
from functools import lru_cache
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "report"))

from documents import _spoil as spoil_json
from documents import check_book
from ground import SECRET, Case, Escape, Surface, Wrong
from material import any_text, damage_bytes
from page_reader import check_csv, check_names, check_page
from tiny import NOTEBOOKS, write_study

from fishreport.fielddata import load_survey
from fishreport.report.build import build_report
from fishreport.report.cache import Cache, Inputs, cache_folder
from fishreport.report.handover import export_study
from fishreport.report.manifest import CRATE
from fishreport.report.plan import plan_chapters
from fishreport.report.review import review
from fishreport.report.verify import verification_json, verify_build
from fishreport.study import read_study


@lru_cache(maxsize=1)
def base() -> Path:
    """A study with a finished report, made once a process."""
    folder = Path(tempfile.mkdtemp(prefix="hostile-base-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    study = write_study(folder / "study")
    build_report(study, notebooks=NOTEBOOKS, jobs=1)
    return study


def tampered(chance: random.Random, report: Path) -> str:
    """Tamper with one to three files of a report; what was done."""
    done = []
    for _ in range(chance.randint(1, 3)):
        files = sorted(path for path in report.rglob("*") if path.is_file())
        path = chance.choice([file for file in files if file.suffix in (".json", ".ipynb", ".csv", ".toml")])
        if chance.random() < 0.4:
            path = report / chance.choice((CRATE, "results.json"))
        if not path.is_file():
            continue
        done.append(path.name)
        match chance.randrange(7):
            case 0:
                path.unlink()
            case 1:
                path.write_bytes(damage_bytes(chance, path.read_bytes()))
            case 2 if path.suffix in (".json", ".ipynb"):
                path.write_bytes(
                    chance.choice(
                        (
                            b"{}",
                            b"[]",
                            b"null",
                            b'{"@graph": []}',
                            b'{"results": {}}',
                            b"[" * 60_000,
                            b'{"study": 5, "season": "x", "results": [5]}',
                        )
                    )
                )
            case 3:
                path.unlink()
                path.mkdir()
            case _ if path.suffix in (".json", ".ipynb"):
                try:
                    data = json.loads(path.read_text(encoding="utf-8"))
                except ValueError:
                    continue
                for _ in range(chance.randint(1, 4)):
                    data = spoil_json(chance, data)
                path.write_text(json.dumps(data), encoding="utf-8")
            case _:
                path.write_bytes(damage_bytes(chance, path.read_bytes()))
    return ", ".join(done)


def _graph(chance: random.Random, report: Path) -> None:
    """Provenance that names files elsewhere, digests that do not fit, requests that ask for something else."""
    path = report / CRATE
    crate = json.loads(path.read_text(encoding="utf-8"))
    graph = crate["@graph"]
    for item in graph:
        if chance.random() < 0.08:
            item["@id"] = chance.choice(
                ("#input/../../elsewhere/secret.txt", "#input//etc/passwd", "../secret.txt", any_text(chance), item["@id"])
            )
        if "request" in item and chance.random() < 0.6:
            request = json.loads(item["request"])
            key = chance.choice(sorted(request))
            request[key] = chance.choice(
                (
                    None,
                    5,
                    "x",
                    [any_text(chance)],
                    {any_text(chance): any_text(chance)},
                    {"data.runs": "../../elsewhere/secret.txt"},
                )
            )
            item["request"] = json.dumps(request)
    path.write_text(json.dumps(crate), encoding="utf-8")


def _copy(case: Case) -> Path:
    shutil.copytree(base(), case.study, dirs_exist_ok=True)
    (case.folder / "elsewhere").mkdir()
    (case.folder / "elsewhere" / "secret.txt").write_text(SECRET)
    return case.study / "report"


def _hostile_results(chance: random.Random, report: Path) -> None:
    path = report / "results.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    for record in list(content["results"]):
        text = any_text(chance)
        record.update(dict.fromkeys(chance.sample(["units", "method", "site", "detail", "scenario", "quantity"], 3), text))
        record["value"] = chance.choice((1e308, -1.0, None, 0.0, record["value"]))
        record["notes"] = [text]
    content["results"] += [{**content["results"][0], "id": any_text(chance)}]
    path.write_text(json.dumps(content), encoding="utf-8")


def _spoil(case: Case, report: Path) -> None:
    """Hostile text in the results, a hostile provenance, or a file tampered with."""
    match case.chance.randrange(3):
        case 0:
            _hostile_results(case.chance, report)
        case 1:
            _graph(case.chance, report)
        case _:
            tampered(case.chance, report)


def reviewed(case: Case) -> str:
    """A report tampered with, held against the sound one."""
    report = _copy(case)
    sound = case.folder / "sound"
    shutil.copytree(report, sound)
    _spoil(case, report)
    pair = (sound, report) if case.chance.random() < 0.5 else (report, sound)
    found = review(*pair, out=case.folder / "review")
    assert found.folder is not None
    check_page((found.folder / "review.html").read_text(encoding="utf-8"))
    for path in found.folder.glob("*.csv"):
        check_csv(path.read_bytes())
    json.loads((found.folder / "review.json").read_text(encoding="utf-8"))
    check_names(found.folder)
    return "taken"


def verified(case: Case) -> str:
    """A report tampered with is never called as it was written."""
    report = _copy(case)
    before = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in report.rglob("*") if path.is_file()}
    (_graph if case.chance.random() < 0.3 else tampered)(case.chance, report)
    found = verify_build(report, rebuild=False)
    verification_json(found)
    found.lines()
    now = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in report.rglob("*") if path.is_file()}
    changed = {path for path in before.keys() | now.keys() if before.get(path) != now.get(path)} - {report / CRATE}
    outcome = next(check.outcome for check in found.checks if check.what == "report")
    if changed and outcome == "same" and before.get(report / CRATE) == now.get(report / CRATE):
        raise Wrong(f"{[path.name for path in changed]} changed and the report is called the same")
    return "taken"


def exported(case: Case) -> str:
    """Results and provenance tampered with, handed on."""
    report = _copy(case)
    _spoil(case, report)
    handed = export_study(
        read_study(case.study), case.folder / "handed", parts=["results"], coarsen_km=case.chance.choice((None, None, 5.0))
    )
    check_names(handed.folder)
    for path in handed.files:
        if path.suffix == ".xlsx":
            check_book(path.read_bytes(), 0)
        if SECRET.encode() in path.read_bytes():
            raise Escape("text of a file outside the study was handed on")
    return "taken"


def _seal(content: Any) -> bytes:
    body = json.dumps(content).encode()
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def kept_work(case: Case) -> str:
    """Entries of the cache, damaged or sealed anew with other content: a chapter runs again or serves; nothing else happens."""
    _copy(case)
    study = read_study(case.study)
    folder = cache_folder(study)
    chance = case.chance
    for path in sorted(folder.rglob("*.entry")):
        if chance.random() < 0.3:
            path.write_bytes(damage_bytes(chance, path.read_bytes()))
            continue
        content = json.loads(path.read_bytes().partition(b"\n")[2])
        for _ in range(chance.randint(1, 3)):
            content = spoil_json(chance, content)
        if isinstance(content, dict) and chance.random() < 0.5:
            content["reads"] = chance.choice(
                (
                    {"file:../../elsewhere/secret.txt": "x"},
                    {"nonsense:": ""},
                    {"file:" + "x" * 5000: "x"},
                    {"setting:__class__": "x"},
                    {"table:__class__": "x"},
                    5,
                    {"folder:": 5},
                )
            )
        path.write_bytes(_seal(content))
    inputs = Inputs(study, load_survey(study))
    cache = Cache(folder)
    served = 0
    for one in plan_chapters(study, folder=NOTEBOOKS):
        looked = cache.look(one, inputs)
        served += looked.notebook is not None
        if looked.notebook is not None and not isinstance(looked.notebook.get("cells"), list):
            raise Wrong("kept work that is no notebook was taken for one")
    return "taken"


SURFACES = (
    Surface("review of tampered builds", reviewed, share=2, fixed=8, prepare=base),
    Surface("verify of tampered builds", verified, share=2, fixed=8, prepare=base),
    Surface("export of tampered builds", exported, share=2, fixed=6, prepare=base),
    Surface("kept work", kept_work, share=2, fixed=8, prepare=base),
)
