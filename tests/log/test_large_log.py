"""What a log of a million rows needs: each question about one bit goes by an index, in either database.

The plans are those of the databases themselves, for the very statements that are sent; of 40,000 rows, for with few a
database reads the whole table sooner.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from log_rows import RADIUS, inspection, record
from postgres import server
from sqlalchemy import create_engine, event, text
from sqlalchemy.engine import Engine

from wearscope.log.place import LogFile
from wearscope.log.postgres import PostgresLog
from wearscope.log.schema import inspection as inspection_table
from wearscope.log.schema import measurement
from wearscope.log.wear_log import WearLog

TRIAL = inspection().trial
N_BITS = 10_000
ONES = " UNION ALL ".join(f"SELECT {digit} AS n" for digit in range(10))
NUMBERS = f"SELECT a.n + 10 * b.n + 100 * c.n + 1000 * d.n + 1 AS n FROM ({ONES}) a, ({ONES}) b, ({ONES}) c, ({ONES}) d"


def copies(table, first):
    """Each row of the table once more for many other bits; no checksum is right, and none is read."""
    names = ", ".join(column.name for column in table.c)
    other = {"id": f"{first} + n * 10 + {table.name}.id", "bit": "'bit ' || n"}
    cells = ", ".join(other.get(column.name, column.name) for column in table.c)
    return f"INSERT INTO {table.name} ({names}) SELECT {cells} FROM {table.name}, ({NUMBERS}) numbers"


def filled(place):
    with WearLog(place) as log:
        for parts in (0, 40):
            log.append(
                inspection(parts=parts), [record(parts=parts), record(**vars(RADIUS) | {"parts": parts})]
            )
    engine = place.engine()
    with engine.begin() as connection:
        for table in (inspection_table, measurement):
            connection.execute(text(copies(table, 1000)))
        connection.execute(text("ANALYZE"))
    engine.dispose()
    return place


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    return filled(LogFile(tmp_path_factory.mktemp("large") / "wear-log.sqlite"))


@pytest.fixture(scope="module")
def database():
    with server() as address:
        yield filled(PostgresLog.at(f"{address}/postgres", Path()))


def asked(place, ask):
    """Statements that a question to the log sends for rows, as they reach the database."""
    sent = []

    def hear(_connection, _cursor, statement, parameters, *_):
        if statement.lstrip().startswith("SELECT") and (
            "FROM measurement" in statement or "FROM inspection" in statement
        ):
            sent.append((statement, parameters))

    event.listen(Engine, "before_cursor_execute", hear)
    try:
        with WearLog(place) as log:
            found = ask(log)
    finally:
        event.remove(Engine, "before_cursor_execute", hear)
    assert len(found) in (1, 2, 4)
    assert sent
    return sent


QUESTIONS = {
    "history of a bit": lambda log: log.history(trial=TRIAL, bit="A"),
    "a number's history": lambda log: log.history(
        trial=TRIAL, bit="A", flute=1, parts=40, view="relief", quantity=RADIUS.quantity, zone=RADIUS.zone
    ),
    "what holds of a bit": lambda log: log.current(trial=TRIAL, bit="A"),
    "inspections of a bit": lambda log: log.inspections(trial=TRIAL, bit="A"),
}


@pytest.mark.statistics
@pytest.mark.parametrize("question", QUESTIONS)
def test_by_an_index_in_a_file(file, question):
    sent = asked(file, QUESTIONS[question])
    with closing(sqlite3.connect(file.path)) as plain:
        for statement, parameters in sent:
            plan = [row[3] for row in plain.execute(f"EXPLAIN QUERY PLAN {statement}", parameters)]
            assert any("USING INDEX" in step and "trial=? AND bit=?" in step for step in plan), plan
            assert not any(step.startswith("SCAN") for step in plan), plan


@pytest.mark.statistics
@pytest.mark.parametrize("question", QUESTIONS)
def test_by_an_index_in_a_database(database, question):
    sent = asked(database, QUESTIONS[question])
    engine = create_engine(database.url)
    with engine.connect() as connection:
        for statement, parameters in sent:
            plan = [row[0] for row in connection.exec_driver_sql(f"EXPLAIN {statement}", parameters)]
            assert any("Index Cond" in step and "bit" in step for step in plan), plan
            assert not any("Seq Scan" in step for step in plan), plan
    engine.dispose()
