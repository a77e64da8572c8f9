"""Refrigerant names, saturation temperatures and gauge pressures.

`names`, `table`, `pressure`, `reset_ambient` and `answer` need the standard library only; `saturation` needs
polars and numpy; `build` alone needs CoolProp.
"""
