"""The SQL files: each mart is one select with a head, and uses only functions that other engines have too."""

import pytest
import sqlglot
from sqlglot import exp

from lowambient.store import queries

# Functions that DuckDB, PostgreSQL and Spark share in name and meaning, as sqlglot names them.
ALLOWED = {
    *("AND", "OR", "CASE", "IF", "COALESCE", "CAST", "GREATEST", "LEAST"),
    *("COUNT", "SUM", "MIN", "MAX", "AVG"),
    *("ROW_NUMBER", "RANK", "LAG", "LEAD"),
    *("ABS", "FLOOR", "CEIL", "ROUND", "SQRT", "POWER", "EXP", "LN"),
    *("SIN", "COS", "ASIN", "RADIANS"),
    *("CONCAT", "SUBSTRING", "LENGTH", "TRIM", "LOWER", "UPPER"),
    *("TIMESTAMP_TRUNC", "EXTRACT", "DATEDIFF"),
}
MARTS = queries.names("marts")


def functions(sql: str) -> set[str]:
    """Names of all functions in a statement; a function that the parser does not know goes by its own name."""
    return {
        call.name.upper() if isinstance(call, exp.Anonymous) else call.sql_name()
        for call in sqlglot.parse_one(sql, dialect="duckdb").find_all(exp.Func)
    }


@pytest.mark.parametrize("name", MARTS)
def test_marts_keep_to_functions_that_carry_over(name: str) -> None:
    assert functions(queries.text("marts", name)) <= ALLOWED


@pytest.mark.parametrize("sql", ["select list(x order by y) from t", "select epoch(t) from t", "select hash(a) from t"])
def test_the_allow_list_catches_functions_of_one_engine(sql: str) -> None:
    assert not functions(sql) <= ALLOWED


@pytest.mark.parametrize(
    ("kind", "name"), [(kind, name) for kind in ("marts", "audits") for name in queries.names(kind)]
)
def test_each_query_is_one_ordered_select_under_a_head(kind: str, name: str) -> None:
    text = queries.text(kind, name)
    assert text.startswith("-- ")
    statements = [each for each in sqlglot.parse(text, dialect="duckdb") if each is not None]
    assert len(statements) == 1
    select = statements[0]
    assert isinstance(select, exp.Select)
    assert select.args.get("order") is not None
    assert "Grain:" in text.split("\n\n")[0] or kind == "audits"
