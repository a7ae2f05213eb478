"""gradeest: honest forecasts, learned grades and the order in which to process electronic-scrap fractions."""

__version__ = "0.1.0"
