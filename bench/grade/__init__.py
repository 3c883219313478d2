"""The shop's own grade, by a rule file."""

from bench.grade.checks import Grade, grade
from bench.grade.rule import Rule, parse_rule

__all__ = ["Grade", "Rule", "grade", "parse_rule"]
