"""Ready specifications: the invented tailwater of the demo, and a light one for repeated simulation."""

from __future__ import annotations

import math
from dataclasses import replace

from fishreport.exceptions import InputError
from fishreport.simulate.spec import SpeciesSpec, StockingSpec, SurveySpec

STOCKING_CUT = 2021
CLIPS = {1: "adipose clip", 3: "left pelvic clip", 6: "right pelvic clip", 8: "adipose clip"}

BROWN_TROUT = SpeciesSpec(
    code="BNT",
    name="brown trout",
    standard="brown trout (lotic)",
    asymptotic_length_mm=520,
    growth_coefficient=0.38,
    age_at_zero=-0.55,
    recruits=6200,
    log_weight_intercept=-4.9330,
    log_weight_slope=2.98,
    length_cv=0.075,
    natural_mortality=0.48,
    first_year_mortality=1.05,
    fishing_mortality=(0.16,),
    legal_length_mm=356,
    recruitment_trend=0.05,
    recruitment_sd=0.28,
    recruitment_autocorrelation=0.3,
    condition_density_effect=-0.05,
    capture_rate=2.5,
    length_at_half=150,
    length_width=28,
    decline_per_mm=0.0006,
    reach_density=(1.35, 1.0, 0.65),
    tags_per_season=36,
    tag_from_mm=250,
    aged_per_bin=2,
    census_bounds_mm=(150, 230, 300, 380),
)


def _rainbow_stocking(seasons: int, first_year: int) -> tuple[StockingSpec, ...]:
    return tuple(
        StockingSpec(season, 5, 3600 if first_year + season < STOCKING_CUT else 1200, 232, mark=CLIPS.get(season, ""))
        for season in range(seasons)
    )


RAINBOW_TROUT = SpeciesSpec(
    code="RBT",
    name="rainbow trout",
    standard="rainbow trout (lotic)",
    origin="mixed",
    asymptotic_length_mm=470,
    growth_coefficient=0.42,
    age_at_zero=-0.45,
    recruits=2300,
    log_weight_intercept=-4.9802,
    log_weight_slope=3.00,
    length_cv=0.07,
    natural_mortality=0.58,
    first_year_mortality=1.15,
    fishing_mortality=(0.30,),
    legal_length_mm=356,
    recruitment_sd=0.35,
    recruitment_autocorrelation=0.2,
    condition_density_effect=-0.015,
    capture_rate=2.6,
    length_at_half=160,
    length_width=28,
    decline_per_mm=0.0008,
    reach_density=(1.2, 1.0, 0.8),
    tags_per_season=12,
    tag_from_mm=250,
    aged_per_bin=1,
    census_bounds_mm=(250, 400),
)

SMALLMOUTH_BASS = SpeciesSpec(
    code="SMB",
    name="smallmouth bass",
    standard="smallmouth bass",
    asymptotic_length_mm=480,
    growth_coefficient=0.20,
    age_at_zero=-0.90,
    recruits=420,
    log_weight_intercept=-5.1655,
    log_weight_slope=3.12,
    length_cv=0.07,
    natural_mortality=0.34,
    first_year_mortality=0.9,
    fishing_mortality=(0.05,),
    legal_length_mm=305,
    recruitment_sd=0.5,
    capture_rate=2.2,
    length_at_half=130,
    length_width=25,
    reach_density=(0.3, 0.8, 1.9),
    site_sd=0.5,
    aged_per_bin=1,
    injury=0.004,
    death=0.002,
)


def demo_spec(*, seasons: int = 10, sites: int = 12) -> SurveySpec:
    """The invented tailwater of the demo: three species, fixed sites in three reaches, two runs a site and season.

    Parameters
    ----------
    seasons : int
        Number of seasons, the first in 2016. Years that lie beyond the last season are left out with all they hold.
    sites : int
        Number of fixed sites, 3 to 36.
    """
    if not 1 <= seasons <= 40:
        raise InputError(f"seasons must be 1 to 40; got {seasons!r}")
    if not 3 <= sites <= 36:
        raise InputError(f"sites must be 3 to 36; got {sites!r}")
    first_year = 2016
    chosen = {site for site in (2, 5, 9) if site < sites}
    removal = {season: tuple(sorted(chosen)) for season in (2, 5, 9) if season < seasons}
    census = {season: events for season, events in ((2, 2), (9, 4)) if season < seasons}
    missed = {3: (sites - 2, sites - 1)} if seasons > 3 and sites > 4 else {}
    return SurveySpec(
        water="Pellamy River tailwater below Ostrel Dam",
        species=(BROWN_TROUT, replace(RAINBOW_TROUT, stocking=_rainbow_stocking(seasons, first_year)), SMALLMOUTH_BASS),
        first_year=first_year,
        seasons=seasons,
        sites=sites,
        missed=missed,
        removal=removal,
        census=census,
        fast_pulse=(4, 1, 1) if seasons > 4 else None,
        fry_measured=3,
        cut_short=(6, 4, 0) if seasons > 6 and sites > 4 else None,
    )


def light_spec(
    *,
    seasons: int = 1,
    sites: int = 12,
    runs_per_site: int = 2,
    fish: float = 2000,
    total_mortality: float = 0.7,
    recruitment_sd: float = 0.0,
    recruitment_autocorrelation: float = 0.0,
    recruitment_trend: float = 0.0,
    site_sd: float = 0.35,
    run_shape: float = 6.0,
    aged_per_bin: int = 5,
    misread: float = 0.0,
    missed: dict[int, tuple[int, ...]] | None = None,
) -> SurveySpec:
    """One species with constant rates, for repeated simulation: what an estimator assumes holds exactly where it can.

    Mortality is the same at every age, catchability is flat above 200 mm, nothing is misread, no side tables are made. The
    sites take up four fifths of the water and the boat reaches every fish in them, so that few fish are followed in vain.

    Parameters
    ----------
    fish : float
        Mean number of fish caught in a season, roughly.
    total_mortality : float
        Instantaneous mortality per year of every age.
    recruitment_sd, recruitment_autocorrelation, recruitment_trend : float
        Deviations and trend of log recruitment; 0 gives the same number every year.
    site_sd, run_shape : float
        Clustering: between sites, and gamma shape of the run effect (infinite for none).
    """
    if fish <= 0 or total_mortality <= 0:
        raise InputError(f"fish and total_mortality must be above 0; got {fish!r} and {total_mortality!r}")
    species = SpeciesSpec(
        code="BNT",
        name="brown trout",
        standard="brown trout (lotic)",
        asymptotic_length_mm=520,
        growth_coefficient=0.38,
        age_at_zero=-0.55,
        recruits=1.0,
        log_weight_intercept=-4.933,
        log_weight_slope=2.98,
        natural_mortality=total_mortality,
        first_year_mortality=total_mortality,
        recruitment_sd=recruitment_sd,
        recruitment_trend=recruitment_trend,
        recruitment_autocorrelation=recruitment_autocorrelation,
        length_at_half=150,
        length_width=12,
        site_sd=site_sd,
        run_shape=run_shape,
        aged_per_bin=aged_per_bin,
        condition_season_sd=0.0,
        discharge_exponent=0.0,
    )
    length_km = 14.2
    spec = SurveySpec(
        water="light",
        species=(species,),
        seasons=seasons,
        sites=sites,
        runs_per_site=runs_per_site,
        site_length_km=0.8 * length_km / sites,
        accessible=1.0,
        misread=misread,
        side_tables=False,
        missed=missed or {},
        weighed=1.0,
        second_reader=0.0,
    )
    # A stationary population holds recruits / (1 - exp(-Z)) fish; of those of age 1 and older, this share is caught.
    caught_each = spec.sites * spec.site_length_km / length_km * spec.accessible * -math.expm1(-species.capture_rate / 6)
    recruits = fish / caught_each / math.exp(-total_mortality) * -math.expm1(-total_mortality)
    return replace(spec, species=(replace(species, recruits=recruits),))
