"""Follow the pass count of hardware patterns on stage, and change them on the boundary."""

__version__ = "0.1.0"
