"""Growth by species: from aged fish, from tagged fish caught again, from rings of hard parts, and of marked stocked fish."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from fishreport.analysis.ages import Readers, aged_fish, first_pass_fish, readers
from fishreport.analysis.classes import LengthClasses
from fishreport.analysis.result import Result, Results
from fishreport.fielddata.survey import Survey
from fishreport.methods.age_at_length import age_at_length
from fishreport.methods.back_calculation import RadiusRegression, back_calculate, fit_radius_regression
from fishreport.methods.cohort_growth import CohortGrowth, cohort_growth
from fishreport.methods.estimate import Estimate
from fishreport.methods.growth import GrowthComparison, LengthModes, RecaptureGrowth, compare_growth, fit_length_modes
from fishreport.methods.recapture_growth import fit_recapture_growth
from fishreport.methods.sample_mean import mean_of_fish
from fishreport.methods.stratified_growth import StratifiedGrowth, fit_stratified_growth
from fishreport.study import Study

CURVES = ("von_bertalanffy", "gompertz", "logistic")
SHORTEST_TIME_OUT = 0.3
"""Years between two catches of a tagged fish below which what it grew is mostly measuring error."""

MIXED = (
    "stocked and wild fish are taken together: stocked ones have another length for their age, and the curve is of the mixture"
)
TOLD_LENGTHS = ("quality", "preferred")
"""Published length categories whose age is told."""
FISH_FOR_MODES = 200
FISH_A_COHORT = 5
_UNITS = {"mm": "mm", "1/yr": "per year", "yr": "years", "mm/yr": "mm/year"}


@dataclass(frozen=True)
class RingGrowth:
    """Lengths at earlier ages from the rings of hard parts.

    Attributes
    ----------
    regression : RadiusRegression
        Length on radius; its intercept is that of the Fraser-Lee form.
    table : DataFrame
        One row an age: ``age``, ``n``, ``length_mm``, ``sd_mm``, ``lower``, ``upper``, and ``increment_mm``, the mean growth
        since the ring before.
    n : int
        Fish with radius and rings.
    """

    regression: RadiusRegression
    table: pd.DataFrame
    n: int


@dataclass(frozen=True)
class StockedCohort:
    """One marked stocking: its mark, date, fish put in, and growth since."""

    mark: str
    date: pd.Timestamp
    number: int
    growth: CohortGrowth


@dataclass(frozen=True)
class SpeciesGrowth:
    """Growth of one species.

    Attributes
    ----------
    key : str
    aged : DataFrame
        One row an aged fish; see `ages.aged_fish`.
    readers : Readers | None
    fits : dict[str, StratifiedGrowth]
        By curve; the von Bertalanffy curve is the one reported.
    comparison : GrowthComparison | None
        Earlier against later seasons, of the aged fish as picked; None where either half has too few.
    tagged : DataFrame
        Tagged fish caught again: ``tag``, ``length_at_mark``, ``length_at_recapture``, ``years``.
    recaptures, recaptures_varied : RecaptureGrowth
        Fitted to those: all fish alike, and with variation between fish.
    rings : RingGrowth | None
    stocked : tuple[StockedCohort, ...]
    modes : LengthModes | None
        Modes of this season's lengths, where there are no ages to go by.
    mixed : bool
        True where stocked fish stand among those that the curve is fitted to.
    """

    key: str
    aged: pd.DataFrame = field(repr=False)
    readers: Readers | None
    fits: dict[str, StratifiedGrowth] = field(repr=False)
    comparison: GrowthComparison | None
    tagged: pd.DataFrame = field(repr=False)
    recaptures: RecaptureGrowth
    recaptures_varied: RecaptureGrowth
    rings: RingGrowth | None
    stocked: tuple[StockedCohort, ...]
    modes: LengthModes | None
    mixed: bool

    @property
    def curve(self) -> StratifiedGrowth:
        """The von Bertalanffy fit."""
        return self.fits["von_bertalanffy"]

    @property
    def weights(self) -> pd.DataFrame:
        """The curves by AICc, best first: ``curve``, ``aicc``, ``difference``, ``weight``; only those that could be fitted."""
        rows = [(name, fit.aicc) for name, fit in self.fits.items() if fit.estimable and np.isfinite(fit.aicc)]
        table = pd.DataFrame(rows, columns=["curve", "aicc"]).sort_values("aicc", ignore_index=True)
        table["difference"] = table["aicc"] - table["aicc"].min()
        relative = np.exp(-table["difference"].to_numpy(float) / 2)
        return table.assign(weight=relative / relative.sum() if relative.size else relative)


@dataclass(frozen=True)
class Growth:
    """Growth of all species: results, and the fits by species key."""

    results: Results
    species: dict[str, SpeciesGrowth]


def growth_curve(
    study: Study, survey: Survey, own: LengthClasses, rng: np.random.Generator, curve: str = "von_bertalanffy"
) -> StratifiedGrowth:
    """The growth curve of a species from all its aged fish of all seasons, weighed back to the catch of first passes."""
    p, aged = study.parameters, aged_fish(survey, own.species.key)
    catch = first_pass_fish(survey, own.species.key)
    catch = catch[catch["season"].isin(aged["season"].unique())]
    return fit_stratified_growth(
        aged["age"].to_numpy(float), aged["length_mm"].to_numpy(float), catch["length_mm"].to_numpy(float), bin_mm=p.bin_mm,
        rng=rng, curve=curve, run=catch["run_id"].to_numpy(), resamples=p.resamples, level=p.level, minimum=p.minimum_aged,
    )  # fmt: skip


def _halves(study: Study, aged: pd.DataFrame, rng: np.random.Generator) -> GrowthComparison | None:
    """Earlier against later seasons; seasons are split where the aged fish are split most evenly."""
    count = aged.groupby("season").size()
    if len(count) < 2:
        return None
    upto = count.cumsum().iloc[:-1]
    last = int(upto.index[int(np.argmin(np.abs(upto.to_numpy() - len(aged) / 2)))])
    first_half = aged["season"] <= last
    least = max(2 * study.parameters.minimum_aged, 20)
    if min(int(first_half.sum()), int((~first_half).sum())) < least:
        return None
    years = sorted(count.index)
    names = [_span([y for y in years if y <= last]), _span([y for y in years if y > last])]
    group = np.where(first_half, names[0], names[1])
    found = compare_growth(aged["age"], aged["length_mm"], group, interval="wald", level=study.parameters.level, rng=rng)
    return found if found.estimable else None


def _span(years: list[int]) -> str:
    return str(years[0]) if len(years) == 1 else f"{years[0]} to {years[-1]}"


def tagged_fish(survey: Survey, species_key: str) -> pd.DataFrame:
    """Tagged fish that were measured at two catches 0.3 years apart or more: the first and the last such catch of each."""
    fish = survey.fish_of(species_key)
    fish = fish[fish["tag"].ne("") & fish["length_mm"].notna() & fish["date"].notna()].sort_values(["tag", "date"], kind="stable")
    ends = fish.groupby("tag").agg(
        length_at_mark=("length_mm", "first"),
        length_at_recapture=("length_mm", "last"),
        start=("date", "first"),
        end=("date", "last"),
    )
    years = (ends["end"] - ends["start"]).dt.days / 365.25
    kept = ends.assign(years=years)[years >= SHORTEST_TIME_OUT]
    return kept[["length_at_mark", "length_at_recapture", "years"]].reset_index()


def _rings(study: Study, aged: pd.DataFrame) -> RingGrowth | None:
    """Back-calculated mean lengths at each ring by Fraser-Lee; None without radii or rings."""
    fish = aged[aged["radius_mm"].notna() & aged["increments_mm"].map(len).gt(0)]
    widths = fish["increments_mm"].map(sum)
    fish = fish[widths <= fish["radius_mm"]]
    level, least = study.parameters.level, study.parameters.minimum_aged
    if len(fish) < least:
        return None
    known = aged[aged["radius_mm"].notna()]
    line = fit_radius_regression(known["length_mm"], known["radius_mm"], level=level, minimum=least)
    if not line.intercept.estimable or line.intercept.value >= fish["length_mm"].min():
        return None
    lengths = back_calculate(
        fish["length_mm"].to_numpy(float), fish["radius_mm"].to_numpy(float), list(fish["increments_mm"]),
        intercept=max(line.intercept.value, 0.0), cumulative=False,
    )  # fmt: skip
    rows = []
    for place in range(lengths.shape[1]):
        column = lengths[:, place][np.isfinite(lengths[:, place])]
        steps = lengths[:, place] - (lengths[:, place - 1] if place else 0.0)
        if column.size < 2:
            continue
        mean = mean_of_fish(column, None, level=level, units="mm", what="mean back-calculated length")
        spread = float(column.std(ddof=1))
        rows.append((place + 1, column.size, mean.value, spread, mean.lower, mean.upper, float(np.nanmean(steps))))
    names = ["age", "n", "length_mm", "sd_mm", "lower", "upper", "increment_mm"]
    return RingGrowth(line, pd.DataFrame(rows, columns=names), len(fish))


def stocked_cohorts(study: Study, survey: Survey, species_key: str) -> tuple[StockedCohort, ...]:
    """Growth of every marked stocking of which 5 fish or more were caught again.

    A mark that was used again stands for the later stocking from that day on.
    """
    stocked = survey.stocking[(survey.stocking["species_key"] == species_key) & survey.stocking["mark"].ne("")]
    stocked = stocked[stocked["date"].notna()].sort_values("date", kind="stable")
    fish = survey.fish_of(species_key)
    fish = fish[fish["length_mm"].notna() & fish["date"].notna()]
    found = []
    for row in stocked.to_dict("records"):
        later = stocked[(stocked["mark"] == row["mark"]) & (stocked["date"] > row["date"])]["date"]
        until = later.min() if len(later) else pd.Timestamp.max
        own = fish[(fish["mark"] == row["mark"]) & (fish["date"] >= row["date"]) & (fish["date"] < until)]
        if len(own) < FISH_A_COHORT:
            continue
        years = ((own["date"] - row["date"]).dt.days / 365.25).to_numpy(float)
        put_in = float(row["mean_length_mm"])
        growth = cohort_growth(
            years, own["length_mm"].to_numpy(float), stocked_length_mm=put_in if np.isfinite(put_in) else None,
            level=study.parameters.level,
        )  # fmt: skip
        found.append(StockedCohort(str(row["mark"]), row["date"], int(row["number"]), growth))
    return tuple(found)


def _renamed(estimate: Estimate, *notes: str) -> Estimate:
    return replace(estimate, units=_UNITS.get(estimate.units, estimate.units)).noting(*notes)


def _results(one: SpeciesGrowth, own: LengthClasses) -> list[Result]:
    seasons = sorted(one.aged["season"].astype(int).unique().tolist())
    told: tuple[str, ...] = (f"aged fish of {_span(seasons)} taken together",) if len(seasons) > 1 else ()
    told += (MIXED,) if one.mixed else ()
    names = {
        "asymptotic_length": "growth_asymptotic_length",
        "growth_coefficient": "growth_coefficient",
        "age_at_zero": "growth_age_at_zero",
    }
    found = [
        Result(quantity, _renamed(one.curve.estimates[name], *told), None, one.key, "all") for name, quantity in names.items()
    ]
    if one.curve.estimable:
        for size_class in [name for name in TOLD_LENGTHS if name in own.bounds_mm]:
            reached = age_at_length(one.curve, own.bounds_mm[size_class][0])
            found.append(Result("age_at_length", reached.noting(*told), None, one.key, size_class))
    method = (
        "mean length at age in the catch, each aged fish weighed by the catch of its length class; percentiles of a two-stage "
        "bootstrap"
    )
    for row in one.curve.mean_length.to_dict("records"):
        age = f"age {row['age']:g}"
        if row["aged"] > 1:
            e = Estimate(
                row["length_mm"], (row["upper"] - row["lower"]) / 3.92, row["lower"], row["upper"], one.curve.level, "mm", method,
                int(row["aged"]), told,
            )  # fmt: skip
        else:
            e = Estimate.not_estimable("1 aged fish, 2 needed", units="mm", method=method, n=1, level=one.curve.level)
        found.append(Result("length_at_age", e, None, one.key, "all", detail=age))
    for fit, detail in ((one.recaptures, "recaptures"), (one.recaptures_varied, "recaptures, fish differ")):
        if len(one.tagged):
            found.append(Result("growth_asymptotic_length", _renamed(fit.asymptotic_length), None, one.key, "all", detail=detail))
            found.append(Result("growth_coefficient", _renamed(fit.growth_coefficient), None, one.key, "all", detail=detail))
    for cohort in one.stocked:
        detail = f"stocked {cohort.date:%Y-%m-%d}, {cohort.mark}"
        found.append(Result("growth_of_stocked", _renamed(cohort.growth.growth_rate), None, one.key, "all", detail=detail))
    return found


def growth(study: Study, survey: Survey, classes: list[LengthClasses], rng: np.random.Generator) -> Growth:
    """Growth of every species, from whatever the study has.

    Aged fish of all seasons are taken together: growth changes slowly, and a season has few. The curve is fitted with each
    aged fish weighed by the catch of its length class, since the fish to age are picked by length.
    """
    p, species, results = study.parameters, {}, []
    for own in classes:
        key, aged = own.species.key, aged_fish(survey, own.species.key)
        fits = {curve: growth_curve(study, survey, own, rng, curve) for curve in CURVES}
        tagged = tagged_fish(survey, key)
        columns = [tagged[name].to_numpy(float) for name in ("length_at_mark", "length_at_recapture", "years")]
        again, varied = (
            fit_recapture_growth(*columns, variation=kind, level=p.level, minimum=p.minimum_aged)
            for kind in ("none", "between fish")
        )
        now = first_pass_fish(survey, key)
        now = now[now["season"] == study.season.year]
        no_curve = not fits["von_bertalanffy"].estimable
        modes = fit_length_modes(now["length_mm"], level=p.level) if no_curve and len(now) >= FISH_FOR_MODES else None
        one = SpeciesGrowth(
            key=key,
            aged=aged,
            readers=readers(survey, key, level=p.level),
            fits=fits,
            comparison=_halves(study, aged, rng),
            tagged=tagged,
            recaptures=again,
            recaptures_varied=varied,
            rings=_rings(study, aged),
            stocked=stocked_cohorts(study, survey, key),
            modes=modes if modes is not None and modes.estimable else None,
            mixed=own.species.origin == "mixed" or bool(survey.stocking["species_key"].eq(key).any()),
        )
        species[key] = one
        results += _results(one, own)
    return Growth(Results(results), species)
