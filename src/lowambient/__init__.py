"""Service-fleet records to a ranked list of units that lock out in the cold."""

__version__ = "0.1.0"
