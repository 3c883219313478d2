"""The shop's own grade, by a rule file."""

from bench.grade.checks import Grade, grade
from bench.grade.rule import MEANINGS, NO_GRADE, Rule, parse_rule

__all__ = ["MEANINGS", "NO_GRADE", "Grade", "Rule", "grade", "parse_rule"]
