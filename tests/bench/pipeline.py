"""What the pipeline costs: plain papermill against ours, with chapters that only import what chapters import; then the whole
report of the demo study: cold, with one parameter of the scenarios changed, and with nothing changed.

Run it on an idle machine: ``python tests/bench/pipeline.py``. Times vary from machine to machine; trust the ratios.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))

from tiny import write_notebook, write_study

CHAPTERS = 8
IMPORTS = "import pandas\nimport scipy.stats\nimport seaborn\nimport statsmodels.formula.api"
OPENING = (
    "from fishreport.report.chapter import open_chapter\n\n"
    'chapter = open_chapter("{name}", study=study, season=season, settings=settings, results=results)\nchapter.parameters.level'
)
ROUNDS = 3


def lay_out(folder: Path) -> tuple[Path, Path]:
    """A study of eight chapters that import and do nothing else; returns the study and the folder of its chapters."""
    names = [f"chapter{number}" for number in range(1, CHAPTERS + 1)]
    notebooks = folder / "notebooks"
    for number, name in enumerate(names, start=1):
        write_notebook(notebooks / f"{number:02d}-{name}.ipynb", f"#md\n# Chapter {number}", IMPORTS, OPENING.format(name=name))
    study = write_study(folder / "study", tuple(names))
    (study / "narrative" / "summary.md").write_text("Nothing was fished.\n", encoding="utf-8")
    return study, notebooks


def plain_papermill(notebooks: Path, folder: Path) -> None:
    """Every notebook, one after the other, as papermill runs it by itself."""
    import papermill

    for path in sorted(notebooks.glob("*.ipynb")):
        papermill.execute_notebook(str(path), str(folder / path.name), progress_bar=False, kernel_name="python3")


def seconds(call: Callable[[], object]) -> float:
    """Wall time of a call."""
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def empty_chapters(folder: Path, count: int) -> Path:
    """Notebooks that import what the report's chapters import and do nothing else."""
    notebooks = folder / "empty"
    for number in range(1, count + 1):
        write_notebook(notebooks / f"{number:02d}-empty.ipynb", IMPORTS + "\nimport fishreport.exhibits.context")
    return notebooks


def whole_report() -> None:
    """The demo's report, against as many empty chapters by plain papermill."""
    from fishreport.report.build import build_report
    from fishreport.report.cache import FOLDER
    from fishreport.resources import locate

    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        study = folder / "study"
        shutil.copytree(locate("demo_inputs"), study)
        first = build_report(study)
        count = len(first.ran)
        notebooks = empty_chapters(folder, count)
        changes = iter((9, 11, 8, 12))

        def cold() -> None:
            shutil.rmtree(study / FOLDER)
            build_report(study)

        told: list[str] = []

        def changed() -> None:
            built = build_report(study, settings={"parameters.horizon_years": next(changes)})
            told.append(", ".join(built.ran))

        ways: dict[str, Callable[[], object]] = {
            f"plain papermill, {count} empty chapters": lambda: plain_papermill(notebooks, folder),
            "cold build of the demo's report": cold,
            "one parameter of the scenarios changed": changed,
            "nothing changed": lambda: build_report(study),
        }
        best = rounds(ways, 2)
        plain, whole, one, none = best.values()
        show(best, whole)
        print(f"cold build / plain papermill {whole / plain:.2f} (0.5 wanted)")
        print(f"one parameter changed / cold {one / whole:.2f} (0.2 wanted); it ran {told[-1]}")
        print(f"nothing changed / cold {none / whole:.2f} (0.1 wanted)")


def rounds(ways: dict[str, Callable[[], object]], number: int) -> dict[str, float]:
    """The least time of some rounds, the ways taken in turn."""
    best = dict.fromkeys(ways, float("inf"))
    for _ in range(number):
        for name, call in ways.items():
            best[name] = min(best[name], seconds(call))
    return best


def show(best: dict[str, float], reference: float) -> None:
    """Print times and their ratios to one of them."""
    for name, value in best.items():
        print(f"{name:<42}{value:6.2f} s   {value / reference:5.2f}", flush=True)


def start_up() -> None:
    """Print what start-up costs, with chapters that only import."""
    from fishreport.report.build import build_report

    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        study, notebooks = lay_out(folder)

        def build(**options: object) -> Callable[[], object]:
            return lambda: build_report(study, notebooks=notebooks, **options)  # type: ignore[arg-type]

        build(fresh=True)()  # file caches warm
        ways: dict[str, Callable[[], object]] = {
            "plain papermill, the chapters alone": lambda: plain_papermill(notebooks, folder),
            "cold build, with both reports": build(fresh=True),
            "cold build, one chapter at a time": build(fresh=True, jobs=1),
            "one parameter changed that all read": lambda: build(settings={"parameters.level": 0.5 + time.time() % 0.4})(),
            "nothing changed": build(),
        }
        best = rounds(ways, ROUNDS)
        show(best, best["plain papermill, the chapters alone"])


def main() -> None:
    """Start-up, then the whole report of the demo."""
    start_up()
    print()
    whole_report()


if __name__ == "__main__":
    main()
