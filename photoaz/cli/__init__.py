"""The commands. Thin: arguments in, the pipeline called, results out.

Standard output carries results only; progress, notes and faults go to standard error. Exit codes: 0 done; 1 done, but
some inputs could not be used; 2 nothing done. What is not needed for a command is not imported for it.
"""

from photoaz.cli import audit, calibrate, demo, desk, estimate, inspect, manual, plan
from photoaz.cli.group import main

__all__ = ["audit", "calibrate", "demo", "desk", "estimate", "inspect", "main", "manual", "plan"]
