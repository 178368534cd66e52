"""Before the scan: surfaces, points and their order proposed, and what a grid will give, rehearsed.

Plans of a *scan*; the plan of orders that a run makes is ``expand/plan.py``.
"""

from fieldproc.scanplan.files import Planned, judge, plan
from fieldproc.scanplan.plan_file import read_grid
from fieldproc.scanplan.settings import load_judge_settings, load_plan_settings

__all__ = ["Planned", "judge", "load_judge_settings", "load_plan_settings", "plan", "read_grid"]
