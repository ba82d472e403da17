"""Judge: condition, cause and advice; whole-tooth plans and shims. Pure: arrays and values in, values out."""

from farmwatch.judge.tooth_plan import ShimPlan, ToothPlan, shim_plan, tooth_plan

__all__ = ["ShimPlan", "ToothPlan", "shim_plan", "tooth_plan"]
