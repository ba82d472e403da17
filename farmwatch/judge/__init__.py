"""Judge: condition, cause and advice; whole-tooth plans and shims. Pure: arrays and values in, values out."""

from farmwatch.judge.assessment import Assessment, FleetAssessment, Plan
from farmwatch.judge.cause import Evidence, Verdict, judge_cause
from farmwatch.judge.condition import ConditionFinding, find_condition
from farmwatch.judge.document import assessment_document
from farmwatch.judge.learned import StepBelief, belief_from_turns, first_belief, learn_move, step_differences
from farmwatch.judge.machine import HostFacts, MachineCase, judge_fleet, judge_machine, with_host
from farmwatch.judge.tooth_plan import ShimPlan, ToothPlan, shim_plan, tooth_plan

__all__ = [
    "Assessment", "ConditionFinding", "Evidence", "FleetAssessment", "HostFacts", "MachineCase", "Plan", "ShimPlan",
    "StepBelief", "ToothPlan", "Verdict", "assessment_document", "belief_from_turns", "find_condition", "first_belief",
    "judge_cause", "judge_fleet", "judge_machine", "learn_move", "shim_plan", "step_differences", "tooth_plan",
    "with_host",
]  # fmt: skip
