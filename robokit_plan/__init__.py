"""Plan a robot's software, lines and power before anything is touched."""

__version__ = "0.1.0"
