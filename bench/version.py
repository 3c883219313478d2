"""The number of this version, in a file of its own so that everything can name it; the wheel takes it from here too."""

__version__ = "0.1.0"
