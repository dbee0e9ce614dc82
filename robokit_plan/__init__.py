"""Plan a robot's software, lines and power before anything is touched."""

from robokit_plan._version import __version__

__all__ = ["__version__"]
