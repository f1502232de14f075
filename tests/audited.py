"""What the audit says of a plan: of what is done in it, and of what it merely tells."""

from __future__ import annotations

from planner.scheduling.audit import audit_plan
from planner.scheduling.audit_told import CHECKS


def broken(plan):
    """Names of all checks that fail."""
    return {check.name for check in audit_plan(plan).checks if not check.passed}


def failed(plan):
    """Names of the checks that fail of what is done; a plan made by hand tells no margins, and so on."""
    return broken(plan) - set(CHECKS)


def failed_told(plan):
    """Names of the checks that fail of what is told."""
    return broken(plan) & set(CHECKS)
