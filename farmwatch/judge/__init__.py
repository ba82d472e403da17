"""Judge: condition, cause and advice; whole-tooth plans and shims. Pure: arrays and values in, values out.

`machine` judges; `assessment` holds what it says, `words` and `document` say it. Little is imported here: a command
that only shows what was judged before need not wait for what judges.
"""

from farmwatch.judge.tooth_plans import tooth_plan

__all__ = ["tooth_plan"]
