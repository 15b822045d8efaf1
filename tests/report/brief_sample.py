"""Studies of chosen size with made-up results, so that a brief can be written without running any chapter."""

from __future__ import annotations

import json
from pathlib import Path

from nbformat import NotebookNode

from fishreport.analysis.result import Result, Results
from fishreport.exhibits.brief import Brief, brief_content
from fishreport.exhibits.exhibit import FIGURE_TYPE, Finding
from fishreport.methods.estimate import Estimate
from fishreport.report.assemble import Document
from fishreport.study import Study, read_study

SPECIES = ("brown trout", "rainbow trout", "smallmouth bass", "walleye", "northern pike", "lake trout")
STANDARDS = {"brown trout": "brown trout (lotic)", "rainbow trout": "rainbow trout (lotic)"}
SEASONS = range(2016, 2026)


def estimate(value: float, low: float, high: float, units: str = "fish/h", n: int = 24) -> Estimate:
    """An estimate whose standard error fits its interval."""
    return Estimate(value, (high - low) / 3.92, low, high, 0.95, units, "made up for a test", n, ())


def made_results(names: tuple[str, ...] = SPECIES, trend: tuple[float, float, float] = (-12.0, -18.0, -4.0)) -> Results:
    """Every quantity that a brief speaks of, for every species."""
    found = []
    for place, name in enumerate(names):
        key, base = name.replace(" ", "_"), 80 / (place + 1)
        for season in SEASONS:
            level = base * (1 + 0.1 * (season % 3))
            for size_class, part in (("all", 1.3), ("stock", 1.0), ("quality", 0.6), ("preferred", 0.3)):
                e = estimate(part * level, 0.7 * part * level, 1.4 * part * level)
                found.append(Result("catch_rate", e, season, key, size_class))
            found.append(Result("catch_rate", estimate(base, 0.6 * base, 1.5 * base, n=2), season, key, "all", site="Weir"))
            found.append(Result("proportional_size", estimate(60 - place, 52, 67, "percent"), season, key, "quality"))
            found.append(Result("relative_weight", estimate(90.4 + season % 4, 88.1, 96.2, ""), season, key, "stock"))
            found.append(Result("annual_survival", estimate(0.49, 0.39, 0.6, ""), season, key, "all"))
            found.append(Result("total_mortality", estimate(0.7, 0.5, 0.94, "per year", n=194), season, key, "all"))
            found.append(Result("population_size", estimate(7345, 6204, 9445, "fish"), season, key, "stock"))
        found.append(Result("length_at_age", estimate(384.2, 375.7, 394.1, "mm"), None, key, "all", detail="age 3"))
        e = estimate(*trend, "percent per year", n=10)
        found.append(Result("trend_per_year", e, None, key, "stock", detail="standardised_catch_rate"))
    return Results(found)


def made_study(folder: Path, *, species: int = 3, objectives: int = 6, units: str = "metric", narrative: dict[str, str]) -> Study:
    """A study of so many species and objectives."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = ["[water]", 'name = "Alder Tailwater"', "", "[season]", "year = 2025", "months = [9, 10]", ""]
    for name in SPECIES[:species]:
        key = name.replace(" ", "_").upper()
        lines += [f"[species.{key}]", f'name = "{name}"', f'standard = "{STANDARDS.get(name, name)}"', ""]
    kinds = [("catch_rate", "quality", "at_least = 40"), ("proportional_size", "quality", "between = [40, 62]"),
             ("relative_weight", "stock", "at_least = 95"), ("total_mortality", "all", "at_most = 0.65"),
             ("catch_rate", "stock", "at_least = 90"), ("annual_survival", "all", "at_least = 0.3")]  # fmt: skip
    for place in range(objectives):
        quantity, size_class, bound = kinds[place % len(kinds)]
        key = SPECIES[place // len(kinds) % species].replace(" ", "_").upper()
        lines += ["[[objectives]]", f'quantity = "{quantity}"', f'species = "{key}"', f'size_class = "{size_class}"', bound]
        lines += [f'name = "Aim number {place + 1} of the plan"' if place % 2 else f"over_years = {1 + place % 4}", ""]
    lines += ["[report]", f'units = "{units}"', 'author = "A. Reporter"', 'title = "Fish of the Alder, 2025"']
    (folder / "study.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "runs.csv").write_text("run_id,site,date,effort_s\nR1,Weir,2025-09-15,600\n", encoding="utf-8")
    (folder / "fish.csv").write_text("run_id,species,length_mm\n", encoding="utf-8")
    (folder / "narrative").mkdir(exist_ok=True)
    for name, text in narrative.items():
        (folder / "narrative" / name).write_text(text, encoding="utf-8")
    return read_study(folder)


RULES = (
    ("Today: 35 cm and five a day", "minimum_length_mm = 350\nbag_limit = 5"),
    ("40 cm and two a day", "minimum_length_mm = 400\nbag_limit = 2"),
    ("Slot", "protected_slot_mm = [330, 500]"),
    ("Release", "release_only = true"),
)
# Of the rules that are not today's: change in percent of today's, of legal harvest and of large fish.
CHANGES = (
    ((-44.8, -55.8, -33.5), (9.1, 4.6, 14.2)),
    ((41.3, -19.1, 159.3), (0.8, 0.04, 1.9)),
    ((-100.0, -100.0, -100.0), (-12.2, -20.4, -3.6)),
)


def with_rules(study: Study, names: tuple[str, ...] = SPECIES[:1]) -> Study:
    """The same study with four rules to compare for each of these species."""
    lines = [
        f'[[scenarios]]\nname = "{rule}{place or ""}"\nspecies = "{name.replace(" ", "_").upper()}"\n{limits}\n'
        for place, name in enumerate(names)
        for rule, limits in RULES
    ]
    file = study.folder / "study.toml"
    text = file.read_text(encoding="utf-8").replace("[report]", "\n".join([*lines, "[report]"]), 1)
    file.write_text(text, encoding="utf-8")
    return read_study(study.folder)


def rule_results(
    names: tuple[str, ...] = SPECIES[:1], detail: str = "catch_rate, at least 40, year 10", size_class: str = "quality"
) -> list[Result]:
    """What the simulations gave for `with_rules` in the last year ahead; `detail` and class of the aim that it is held against."""
    found = []
    for number, name in enumerate(names):
        for place, (rule, _) in enumerate(RULES):
            where = {"season": 2025, "species": name.replace(" ", "_"), "scenario": f"{rule}{number or ''}"}
            for quantity, kind, part in (("scenario_harvest", "all", 0), ("scenario_trophy", "memorable", 1)):
                found.append(Result(quantity, estimate(20, 10, 34, "fish/km"), **where, size_class=kind, detail="year 10"))
                if place:
                    share = CHANGES[place - 1][part]
                    gap, percent = estimate(*(x / 5 for x in share), "fish/km"), estimate(*share, "percent", n=300)
                    found.append(Result(quantity, gap, **where, size_class=kind, detail="year 10, against today's rule"))
                    found.append(Result(quantity, percent, **where, size_class=kind, detail="year 10, percent of today's rule"))
            chance = estimate(
                (0.853, 0.912, 0.004, 0.996)[place], (0.81, 0.87, 0.0, 0.98)[place], (0.89, 0.94, 0.02, 1.0)[place], ""
            )
            found.append(Result("objective_probability", chance, **where, size_class=size_class, detail=detail))
    return found


def work_of(study: Study) -> list[dict[str, object]]:
    """Rows behind the figure of effort."""
    caught = {one.key: 561 // (place + 1) for place, one in enumerate(study.species.values())}
    return [{"season": season, "sites": 12, "runs": 36, "effort_h": 6.04, "fish": 900, **caught} for season in SEASONS]


def frequencies_of(study: Study) -> list[dict[str, object]]:
    """Rows behind the figure of length-frequency: bins of 10 mm."""
    return [
        {"species": one.key, "season": season, "lower_mm": low, "upper_mm": low + 10, "count": 1 + low // 10 % 7, "share": 0.0}
        for one in study.species.values()
        for season in (2024, 2025)
        for low in range(100, 500, 10)
    ]


def _shown(label: str, rows: list[dict[str, object]]) -> NotebookNode:
    figure = {"label": label, "caption": "As in the report.", "alt": "", "svg": "", "table": {"data": rows}}
    output = NotebookNode(output_type="display_data", metadata=NotebookNode(), data=NotebookNode({FIGURE_TYPE: figure}))
    return NotebookNode(cell_type="code", metadata=NotebookNode(), source="", outputs=[output])


def made_document(study: Study, results: Results, *, whole: bool = True) -> Document:
    """A report with these results and the two figures that a brief draws from."""
    cells = [_shown("effort-history", work_of(study)), _shown("length-frequency", frequencies_of(study))]
    return Document(
        title=study.report.title, water=study.water.name, region="", season=2025, author=study.report.author, language="en",
        units=study.report.units, folder=study.folder, notebook=NotebookNode(cells=cells), whole=whole,
        references={("figure", "sizes", "lengths"): ("figure-sizes-lengths", "Figure 3.1")},
        results=json.loads(json.dumps([result.record() for result in results])),
    )  # fmt: skip


def content(study: Study, results: Results | None = None) -> Brief:
    """A brief of these results, or of all that a brief speaks of."""
    return brief_content(
        study,
        made_results(SPECIES[: len(study.species)]) if results is None else results,
        work=work_of(study),
        frequencies=frequencies_of(study),
    )


def sentences(brief: Brief) -> list[Finding]:
    """Everything that a brief says of what was done and found."""
    said = [*brief.did, *(one.finding for one in brief.told)] + ([brief.tally] if brief.tally else [])
    return [finding for finding in said if finding is not None]
