"""Column kinds of the contract as DuckDB types."""

import dataframely as dy

_TYPES = {"text": "varchar", "choice": "varchar", "number": "double", "whole": "bigint", "flag": "boolean"}


def sql_type(column: dy.Column) -> str:
    """DuckDB type of a contract column; instants hold UTC without a zone."""
    return _TYPES.get((column.metadata or {})["kind"], "timestamp")
