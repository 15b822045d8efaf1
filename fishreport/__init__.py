"""Reproducible annual reports for the biologist who manages a trout tailwater."""

__version__ = "0.1.0"
