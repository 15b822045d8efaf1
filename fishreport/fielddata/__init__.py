"""Field data: tables in, checked survey out."""

from fishreport.fielddata.faults import CODES, SurveyFaults
from fishreport.fielddata.load import check_survey, load_survey
from fishreport.fielddata.survey import Survey

__all__ = ["CODES", "Survey", "SurveyFaults", "check_survey", "load_survey"]
