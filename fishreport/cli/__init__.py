"""The command line."""

from fishreport.cli.parser import main

__all__ = ["main"]
