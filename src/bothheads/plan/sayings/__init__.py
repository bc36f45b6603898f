"""The trade's sayings tested one by one: what the model says on declared drums, what a log says, and a computed verdict."""

from .record import Answer, Report, Saying
from .run import SAYINGS, report

__all__ = ["SAYINGS", "Answer", "Report", "Saying", "report"]
