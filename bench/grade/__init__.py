"""The shop's own grade, by a rule file, and the one sentence of reason. Pure."""

from bench.grade.checks import Grade, grade
from bench.grade.rule import Rule, parse_rule
from bench.grade.sentence import reason

__all__ = ["Grade", "Rule", "grade", "parse_rule", "reason"]
