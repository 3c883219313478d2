"""Judging again what was received or recorded: captures of a session, recordings made elsewhere, sounds.

An edge. `judge_files` judges a file of any kind; the others one kind each.
"""

from bench.judging.any_kind import judge_files
from bench.judging.captures import judge_capture
from bench.judging.recordings import judge_recording
from bench.judging.sounds import judge_sound

__all__ = ["judge_capture", "judge_files", "judge_recording", "judge_sound"]
