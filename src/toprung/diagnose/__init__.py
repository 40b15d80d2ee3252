"""(site, picture) -> the ladder and its findings, each with evidence and remedy.  One module a rung."""

from toprung.diagnose.ladder import Diagnosis, diagnose

__all__ = ["Diagnosis", "diagnose"]
