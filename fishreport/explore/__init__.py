"""Lessons on the methods, one a notebook: controls over a simulated survey, the estimate beside the truth, an exercise."""

from fishreport.explore.catalogue import LINES, explore, lesson, lessons, repeat
from fishreport.explore.notebooks import open_method

__all__ = ["LINES", "explore", "lesson", "lessons", "open_method", "repeat"]
