"""Recordings made elsewhere: a CSV file with named columns, as oscilloscopes and loggers export it, becomes blocks of samples.

An edge: reads files. A file is read twice in pieces, so its size does not matter: once to learn the interval between samples, the
resolution and the noise of each column, and once more for every walk over `Recording.blocks`.

The header is the first line with a time column. A column is a channel and a unit: `time_s`, `i_load_A`, `v_in_V`, `v_out_V`,
`v_drop_V`, `v_pilot_V`, `temperature_degC`, or with a prefix of a whitelist (`time_ms`, `i_load_mA`, `v_out_mV`); units may stand in a
row of their own under the header. Lines before the header, lines that begin with # and blank lines are skipped; columns that are not of
ours are ignored and noted. Separators are comma, semicolon or tab; with the last two a decimal comma is allowed.

The time is a number, a stamp of date and time, or a time of day. A file without it is taken at the rate of sampling that a line before its
header states, or that is given. An empty cell or `nan` is a gap, unless the column is filled at every k-th row only: then it is a slower
channel. A reading beyond the range (`OL`, `inf`, 9.9E37) is taken as clipped at the column's largest.

Sound recordings (WAV) become `Sound`, how loud it was when.
"""

from bench.recording.layout import EVERYTHING
from bench.recording.reading import Recording, read_recording
from bench.recording.sound import Sound, is_sound, read_sound

__all__ = ["EVERYTHING", "Recording", "Sound", "is_sound", "read_recording", "read_sound"]
