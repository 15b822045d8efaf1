"""What all exhibits of a report share: its units, species, length classes, season and writer of sentences."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from fishreport.analysis.classes import LengthClasses, study_classes
from fishreport.analysis.result import Result
from fishreport.analysis.trend import adjusted_p
from fishreport.exhibits.allowance import Allowance
from fishreport.exhibits.exhibit import Finding
from fishreport.exhibits.nouns import Nouns
from fishreport.exhibits.tabulate import counted, heading
from fishreport.exhibits.units import Units
from fishreport.exhibits.wording import Writer, season_change, two_sided
from fishreport.study import Study


@dataclass(frozen=True)
class Context:
    """What all exhibits of a report share.

    Attributes
    ----------
    season : int
        The reported season.
    classes : tuple[LengthClasses, ...]
        Species of the study, in its order, with their length classes.
    units : Units
    writer : Writer
    """

    season: int
    classes: tuple[LengthClasses, ...]
    units: Units
    writer: Writer

    @property
    def names(self) -> dict[str, str]:
        """Species key → name with a capital."""
        return {one.species.key: heading(one.species.name) for one in self.classes}

    def classes_of(self, species: str | None) -> LengthClasses:
        """The length classes of a species, by its key."""
        return next(one for one in self.classes if one.species.key == species)

    def lead_class(self, species: str | None) -> str:
        """The class that a species is first spoken of by: stock length and longer, or all where no category is published."""
        return "stock" if "stock" in self.classes_of(species).bounds_mm else "all"

    def class_label(self, result: Result) -> str:
        """The length class of a result with its length: ``Quality, 230 mm and longer``."""
        return class_label(self.classes_of(result.species), result.size_class or "all", self.units)

    def change(self, before: Result | None, after: Result | None) -> list[Finding]:
        """The change from one season to the next that was sampled, as a list of one sentence, or none without both."""
        return next(iter(self.changes([(before, after)]).values()), [])

    def latest(self, results: Iterable[Result]) -> tuple[Result | None, Result | None]:
        """Of one quantity and place: the result of the season sampled before the reported one, and that of the reported one."""
        line = sorted((r for r in results if r.season is not None), key=lambda r: r.season or 0)
        earlier = [r for r in line if (r.season or 0) < self.season]
        return earlier[-1] if earlier else None, next((r for r in line if r.season == self.season), None)

    def changes(self, pairs: Iterable[tuple[Result | None, Result | None]]) -> dict[str, list[Finding]]:
        """The changes of a chapter from one season to the next that was sampled, by the id of the later result.

        As each is one of several that could have stood out by chance, a change that does not stand after adjusting for the number
        compared (Benjamini-Hochberg) only seems to be one. A pair that lacks a result has no sentence.
        """
        whole = [(before, after) for before, after in pairs if before is not None and after is not None]
        p = [
            two_sided(season_change(before.estimate, after.estimate))
            if before.estimate.estimable and after.estimate.estimable
            else math.nan
            for before, after in whole
        ]
        tested = sum(math.isfinite(one) for one in p)
        tests = f"{counted(tested, 'change')} between seasons tested"
        return {
            after.id: [self.writer.change(before, after, allowed=Allowance(q, tests) if tested > 1 else None)]
            for (before, after), q in zip(whole, adjusted_p(p), strict=True)
        }


def class_label(classes: LengthClasses, size_class: str, units: Units) -> str:
    """A length class with its length: ``Stock, 150 mm and longer``."""
    if size_class == "all":
        return "All lengths"
    if classes.standard is not None and size_class in classes.categories:
        bound = units.class_length(size_class, classes.published_mm, classes.published_in)
        return f"{heading(size_class)}, {bound} and longer"
    return units.length_range(*classes.bounds_mm[size_class], classes.published_mm, classes.published_in)


def report_context(study: Study) -> Context:
    """The context of a study's report: its species with their published standards, its units and its season."""
    classes = study_classes(study)
    units = Units(study.report.units)
    nouns = Nouns(
        units,
        {one.species.key: one.species.name for one in classes},
        {one.species.key: (one.published_mm, one.published_in) for one in classes},
    )
    return Context(study.season.year, tuple(classes), units, Writer(nouns))
