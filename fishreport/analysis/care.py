"""Power for tonight's water, and how the fish fared: settings against goals, harm by season, nights that stand out."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from fishreport.analysis.result import Result, Results
from fishreport.exceptions import InputError
from fishreport.fielddata.survey import Survey
from fishreport.methods.electrofishing import PowerTable, ambient_from_specific, power_table
from fishreport.methods.estimate import Estimate
from fishreport.methods.fish_care import NightFlags, flag_bad_nights, harm_ratio, harmed_share
from fishreport.study import ElectrofishingReference, Study

CONDUCTIVITIES = (20.0, 50.0, 75.0, 100.0, 150.0, 200.0, 300.0, 400.0, 500.0, 750.0, 1000.0)
SEEN_FROM, SEEN_TO = 12.0, 1030.0  # µS/cm over which the model was verified (Miranda & Dolan 2003, abstract)
TROUT_PULSE_HZ = 30.0
_HARMED = ("injured", "dead")


@dataclass(frozen=True)
class WaterToday:
    """The water that goals are wanted for.

    Attributes
    ----------
    ambient_us_cm : float
        Conductivity as met, µS/cm.
    temperature_c : float
        NaN when not known.
    origin : str
        Where the reading comes from, in words.
    """

    ambient_us_cm: float
    temperature_c: float
    origin: str


@dataclass(frozen=True)
class PowerGoals:
    """Goals for voltage, current and power over the conductivity of the water.

    Attributes
    ----------
    reference : ElectrofishingReference
        The study's settings that worked.
    table : PowerTable
        At the printed conductivities, at that of the reference and at today's, in ascending order.
    today : WaterToday | None
    """

    reference: ElectrofishingReference
    table: PowerTable
    today: WaterToday | None


@dataclass(frozen=True)
class CareLog:
    """Fish hurt or killed in handling, counted where a fate was written down.

    Attributes
    ----------
    by_season : DataFrame
        One row a season: ``season``, ``handled``, ``injured``, ``dead``, ``harmed``, and the ``share`` harmed (percent) with its
        exact ``lower`` and ``upper`` limits.
    nights, runs : NightFlags | None
        The nights, and the runs, of the reported season, each held against the others of that season; None without a fate.
    flagged : DataFrame
        Every night of any season that stands out among those of its season, with its ``season``.
    reported, before : Estimate
        Share harmed (percent) in the reported season, and in all seasons before it together.
    ratio : Estimate
        How many times as often fish were harmed in the reported season; runs that differ by more than chance widen it.
    """

    by_season: pd.DataFrame
    nights: NightFlags | None
    runs: NightFlags | None
    flagged: pd.DataFrame
    reported: Estimate
    before: Estimate
    ratio: Estimate

    @property
    def usual_percent(self) -> float:
        """Share harmed over all seasons together, percent; NaN when no fate was ever written down."""
        handled, harmed = self.by_season["handled"].sum(), self.by_season["harmed"].sum()
        return 100 * harmed / handled if handled else math.nan


def water_today(
    survey: Survey | None = None,
    *,
    ambient_us_cm: float | None = None,
    specific_us_cm: float | None = None,
    temperature_c: float | None = None,
) -> WaterToday | None:
    """The conductivity to work with: as given, converted from specific conductance, or else the last one on record.

    Raises
    ------
    InputError
        Both conductivities are given, or specific conductance comes without a temperature.
    """
    degrees = math.nan if temperature_c is None else float(temperature_c)
    if ambient_us_cm is not None and specific_us_cm is not None:
        raise InputError("give the conductivity as met or the specific conductance at 25 °C, not both")
    if ambient_us_cm is not None:
        return WaterToday(float(ambient_us_cm), degrees, "read today")
    if specific_us_cm is not None:
        if temperature_c is None:
            raise InputError("specific conductance needs the water temperature, to be turned into the conductivity as met")
        ambient = float(ambient_from_specific(specific_us_cm, temperature_c))
        return WaterToday(ambient, degrees, f"from {specific_us_cm:g} µS/cm at 25 °C and water of {temperature_c:g} °C")
    if survey is None:
        return None
    read = survey.runs[survey.runs["conductivity_us_cm"].notna()]
    if read.empty:
        return None
    last = read.iloc[-1]
    return WaterToday(
        float(last["conductivity_us_cm"]), float(last["water_temperature_c"]), f"last reading on record, {last['date']:%Y-%m-%d}"
    )


def power_goals(study: Study, today: WaterToday | None = None) -> PowerGoals | None:
    """Goals from the study's reference settings; None when the study names none."""
    reference = study.electrofishing
    if reference is None:
        return None
    wanted = {*CONDUCTIVITIES, reference.conductivity_us_cm, *([today.ambient_us_cm] if today else [])}
    return PowerGoals(reference, _goals(reference, sorted(wanted)), today)


def _goals(reference: ElectrofishingReference, water_us_cm: Iterable[float]) -> PowerTable:
    return power_table(
        np.array(list(water_us_cm), dtype=float),
        reference_us_cm=reference.conductivity_us_cm,
        reference_voltage_v=reference.voltage_v,
        reference_current_a=reference.current_a,
        fish_us_cm=reference.fish_conductivity_us_cm,
    )


def nightly_settings(study: Study, survey: Survey) -> pd.DataFrame:
    """What was used on each night of the reported season, beside the goals for that night's water.

    Returns
    -------
    DataFrame
        One row a night with readings of conductivity, voltage and current: ``night``, ``runs``, medians of
        ``conductivity_us_cm``, ``water_temperature_c``, ``voltage_v``, ``current_a`` and ``power_w`` (volts times amperes),
        highest ``pulse_hz``; with reference settings also ``goal_voltage_v``, ``goal_current_a``, ``goal_power_w`` and
        ``percent_of_goal`` (power), NaN without.
    """
    runs = survey.runs[survey.runs["season"] == study.season.year]
    runs = runs[runs[["conductivity_us_cm", "voltage_v", "current_a"]].notna().all(axis=1)]
    runs = runs.assign(power_w=runs["voltage_v"] * runs["current_a"])
    medians = ["conductivity_us_cm", "water_temperature_c", "voltage_v", "current_a", "power_w"]
    nights = runs.groupby("date").agg(
        runs=("run_id", "size"), **{name: (name, "median") for name in medians}, pulse_hz=("pulse_hz", "max")
    )
    goals = ["goal_voltage_v", "goal_current_a", "goal_power_w"]
    nights[goals] = np.nan
    if study.electrofishing is not None and len(nights):
        table = _goals(study.electrofishing, nights["conductivity_us_cm"])
        nights[goals] = np.column_stack([table.voltage_v, table.current_a, table.power_w])
    nights["percent_of_goal"] = 100 * nights["power_w"] / nights["goal_power_w"]
    return nights.rename_axis("night").reset_index()


def fast_pulses(study: Study, survey: Survey) -> tuple[int, int]:
    """Runs of the reported season above the pulse rate that cautions for trout name, and runs whose rate is recorded."""
    rates = survey.runs.loc[survey.runs["season"] == study.season.year, "pulse_hz"].dropna()
    return int((rates > TROUT_PULSE_HZ).sum()), len(rates)


def _noted(survey: Survey) -> pd.DataFrame:
    return survey.fish[survey.fish["fate"].ne("") & survey.fish["fate"].notna()]


def _flags(fish: pd.DataFrame, by: str, level: float) -> NightFlags | None:
    if fish.empty:
        return None
    counts = fish.groupby(by, sort=True).agg(handled=("fate", "size"), harmed=("fate", lambda fate: fate.isin(_HARMED).sum()))
    labels = [f"{label:%Y-%m-%d}" if isinstance(label, pd.Timestamp) else str(label) for label in counts.index]
    return flag_bad_nights(labels, counts["handled"].to_numpy(), counts["harmed"].to_numpy(), level=level)


def _ratio(fish: pd.DataFrame, season: int, level: float) -> Estimate:
    runs = fish["fate"].isin(_HARMED).groupby([fish["season"], fish["run_id"]]).agg(["sum", "size"])
    later = runs.index.get_level_values("season") == season
    return harm_ratio(runs["sum"].to_numpy(), runs["size"].to_numpy(), later, level=level)


def care_log(study: Study, survey: Survey) -> CareLog:
    """Injuries and deaths by season, and the nights and runs that stand out.

    Fish of all species count; a fish whose fate is empty is not known to have been looked at and counts nowhere.
    """
    level = study.parameters.level
    fish = _noted(survey)
    rows, flagged = [], []
    for season in survey.seasons:
        own = fish[fish["season"] == season]
        injured, dead = int(own["fate"].eq("injured").sum()), int(own["fate"].eq("dead").sum())
        share = harmed_share(injured + dead, len(own), level=level)
        rows.append((season, len(own), injured, dead, injured + dead, share.value, share.lower, share.upper))
        nights = _flags(own, "date", level)
        if nights is not None:
            flagged.append(nights.frame[nights.frame["flagged"]].assign(season=season))
    columns = ["season", "handled", "injured", "dead", "harmed", "share", "lower", "upper"]
    table = pd.DataFrame(rows, columns=columns)
    now = table["season"] == study.season.year
    shares = [
        harmed_share(int(part["harmed"].sum()), int(part["handled"].sum()), level=level) for part in (table[now], table[~now])
    ]
    reported = fish[fish["season"] == study.season.year]
    empty = pd.DataFrame(columns=["night", "handled", "harmed", "share", "lower", "upper", "expected", "p", "flagged", "season"])
    listed = [frame for frame in flagged if len(frame)]
    stands_out = pd.concat(listed, ignore_index=True) if listed else empty
    return CareLog(
        table, _flags(reported, "date", level), _flags(reported, "run_id", level), stands_out, shares[0], shares[1],
        _ratio(fish, study.season.year, level),
    )  # fmt: skip


def care_results(log: CareLog) -> Results:
    """Share of all fish, whatever their species, that died or were injured, by season."""
    found = []
    for row in log.by_season.to_dict("records"):
        for detail, count in (("died", row["dead"]), ("died or injured", row["harmed"])):
            if row["handled"]:
                estimate = harmed_share(int(count), int(row["handled"]), level=log.reported.level)
            else:
                reason = "the fate of no fish is recorded"
                estimate = Estimate.not_estimable(reason, units="percent", level=log.reported.level)
            found.append(Result("handling_mortality", estimate, int(row["season"]), None, "all", detail=f"all species, {detail}"))
    return Results(found)


def stop_numbers(usual_percent: float, handled: Iterable[int], *, alarm: float = 0.01) -> dict[int, int]:
    """How many harmed fish among so many handled are too many to be chance.

    Parameters
    ----------
    usual_percent : float
        Share of fish usually harmed, percent.
    handled : iterable of int
        Fish handled so far on the night.
    alarm : float
        Chance of so many or more at the usual share.

    Returns
    -------
    dict
        Fish handled → the smallest number harmed, at least 2, whose binomial upper tail at the usual share is at most `alarm`;
        numbers that cannot be reached are left out. The rule is our own.

    Raises
    ------
    InputError
        A share outside 0 to 100 percent, an alarm outside 0 to 1, or a number handled that is negative.
    """
    if not 0 <= usual_percent <= 100:
        raise InputError(f"the usual share must lie between 0 and 100 percent; got {usual_percent:g}")
    if not 0 < alarm < 1:
        raise InputError(f"alarm must lie between 0 and 1, got {alarm:g}")
    found = {}
    for number in handled:
        if number < 0:
            raise InputError(f"fish handled cannot be negative; got {number}")
        harmed = np.arange(2, number + 1)
        rare = stats.binom.sf(harmed - 1, number, usual_percent / 100) <= alarm
        if rare.any():
            found[int(number)] = int(harmed[rare][0])
    return found
