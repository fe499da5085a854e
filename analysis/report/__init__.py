"""The self-contained hand-over report."""

from __future__ import annotations

from analysis.report.build import build_report
from analysis.report.case import CaseFile, CaseMaterial, Equipment

__all__ = ["CaseFile", "CaseMaterial", "Equipment", "build_report"]
