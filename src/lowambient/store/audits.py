"""Audits: queries that return what must not be."""

from lowambient.store import queries
from lowambient.store.database import Store


def failed_audits(store: Store) -> list[str]:
    """A sentence for each query of `queries/audits/` that returned rows, with how many; in name order."""
    failed = []
    for name in queries.names("audits"):
        found = store.query(f"select count(*) as rows from ({queries.text('audits', name)})").item()
        if found:
            failed.append(f"{name}: {found} rows. {_sentence(queries.text('audits', name))}")
    return failed


def _sentence(sql: str) -> str:
    lines = [line[2:].strip() for line in sql.splitlines() if line.startswith("--")]
    return " ".join(lines).removesuffix("; it must be empty.")
