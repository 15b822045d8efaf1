"""Why an estimator misses the goal of the calibration table, and where a reader of the report is told."""

from __future__ import annotations

_ZEROS = "counts near zero: exact limits hold at least their level, and few runs with many zeros are wide by necessity"
_CLUMPED = "few clumped runs: the rare large catch is mostly not among them; a note counts the units below 6"
_EXACT = "exact limits of a count hold at least their level by construction, and more where fish are few"
_SPREAD = "a ratio of two uncertain rates is skewed and its limits have room to spare; the docstring gives these figures"
_KEY = (
    "two aged fish a bin show too little of the spread within it; the docstring gives these shares, and a note counts thin bins"
)
_CURVED = "a curved model with few old fish: Linf and K run far out on one side (the median shows less bias)"
_MIXED = "the curves that are wrong share the weight while the fish cannot tell them apart"
_REGRESSION = "a straight line through few logarithms of counts; a note with every estimate gives these shares"
_WIDENED = "limits widened by t for overdispersion that even recruitment does not have; the docstring says so"
_TAIL = "empty ages beyond the oldest caught are unknown (a note: mortality comes out low), year classes uneven (docstring: 88 to 99 %)"
_EVENTS = "a regression of few events; a note with every estimate gives these shares and points to Schnabel's interval"
_INVERSE = "N is one over an uncertain recapture rate, so that its mean is pulled up where recaptures are few (the median is not)"
_CLASSES = "classes with few recaptures come out low and their limits add up with room to spare; notes and docstring say both"
_STEADY = "whole numbers weighted towards fewer fish: low by construction, and steadier with few fish"
_UNSTEADY = "catches that hardly fall leave N open above: its mean is pulled up (the median is not); a note says when"
_RANKS = "limits are ranks of pairwise slopes: in steps, and open with few seasons"
_ALIKE = "seasons that resemble each other count as independent; a note says so when they do, and ar1 is offered"
_DOUBT = "autocorrelation and scatter are hardly known from few seasons, and that doubt widens the interval"
_NOT_NARROWER = "the variance is never put below the sampling errors given (Knapp and Hartung's factor is held at 1)"
_VARIANCE = "the most likely variance of few seasons is too small on average; the docstring says so"
_COUNTED = (
    "maximum likelihood with many coefficients puts alpha low; a note gives the adjusted value, and the limits allow for it"
)
_OWN_SPREAD = "a coefficient of variation from clumped runs is itself skewed; the docstring gives these shares"
_RUNS = "few runs of unequal size: their spread is itself little known"
_NEW_PAIR = "the pairs' scatter already holds the sampling error of the new catch rate, as the docstring says: on the safe side"
_THIN = "ages without fish have no logarithm and drop out; a note counts them, and the docstring gives these shares"

REASONS: tuple[tuple[str, str, str], ...] = (
    ("0.5 fish a run", "", _ZEROS),
    ("mean_catch_rate", "", _CLUMPED),
    ("stratified_catch_rate", "", _CLUMPED),
    ("percent_change", "", _SPREAD),
    ("fit_catch_model", "dispersion", _COUNTED),
    (
        "fit_catch_model",
        "",
        "the dispersion that its standard errors rest on is low; the report fits clusters of site and season",
    ),
    ("standardised_index", "", "few clusters for the coefficients; a note says so when they are fewer"),
    ("runs_needed", "", _OWN_SPREAD),
    ("proportional_size", "share", _EXACT),
    ("proportional_size", "median", "limits of a quantile are lengths of fish: in steps, and wide with few"),
    ("fit_length_weight", "", _RUNS + "; the docstring gives these shares"),
    ("mean_relative_weight", "", _RUNS),
    ("handling_mortality", "", _EXACT),
    ("age_length_key", "", _KEY),
    ("reader_agreement", "", _EXACT),
    ("average_growth", "", _MIXED),
    ("fit_", "", _CURVED),
    ("cohort_growth", "", _RUNS),
    ("catch curves", "weighted", _REGRESSION),
    ("catch curves", "Poisson", _TAIL),
    ("catch curves", "Chapman", _WIDENED),
    ("chapman_robson", "", _WIDENED),
    ("cohort_mortality", "", _THIN),
    ("fishing_mortality", "", "surveys in which M is not below Z are not estimable, which leaves the higher F"),
    ("schnabel", "Schumacher", _EVENTS),
    ("schnabel", "", _INVERSE + "; exact limits of a small count are wide"),
    ("stratified_petersen", "", _CLASSES),
    ("petersen", "", _EXACT),
    ("removal", "weighted", _STEADY),
    ("removal", "", _UNSTEADY),
    ("catchability", "population", _NEW_PAIR),
    ("catchability", "", _DOUBT),
    ("independent", "sen_slope", _RANKS),
    ("correlated", "log_linear, ar1", _DOUBT),
    ("correlated", "sen_slope", _RANKS + "; " + _ALIKE),
    ("correlated", "", _ALIKE),
    ("independent", "log_linear, ar1", _DOUBT),
    ("independent", "", _NOT_NARROWER),
    ("linear_trend", "", _NOT_NARROWER),
    ("before_after", "", _NOT_NARROWER),
    ("local_level", "process_sd", _VARIANCE),
    ("local_level", "", "levels are averaged over how much they may move, which few seasons hardly tell; the docstring says so"),
    ("fit_covariates", "", _NOT_NARROWER),
)


def reason(case: str, quantity: str) -> str:
    """The first reason whose case and quantity are part of those given; 'not explained' where there is none."""
    return next((text for of, what, text in REASONS if of in case and what in quantity), "not explained")
