"""showhour: season planning and show-hour air for low-level display flying."""

__version__ = "0.1.0"
