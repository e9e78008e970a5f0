"""The other way to the same figures: the export is loaded into DuckDB, and standings are worked out again in plain Python.

Nothing of the service is used here. Rules of the trade, as WAC 246-290-490(7)(b) has them: a test a year, and a test after a backflow
incident. A failed assembly is failed until an accepted test passes.
"""

import calendar
import datetime as dt
import json
from collections import defaultdict
from pathlib import Path
from typing import Any

import duckdb

from tests.simulation.scenario import ZONE


class Export:
    """An export, in tables."""

    def __init__(self, lines: list[dict[str, Any]], folder: Path) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for line in lines:
            if "table" in line:
                self.rows[line["table"]].append(line["row"])
        self._look_again()
        self.db = duckdb.connect()
        for table in ("premises", "assembly", "report", "standing"):
            file = folder / f"{table}.json"
            file.write_text("\n".join(json.dumps(row) for row in self.rows[table]), encoding="utf-8")
            # From a file, through the relation's own method: no SQL is put together from names.
            self.db.read_json(str(file), format="newline_delimited", maximum_object_size=10_000_000).create(table)
        self.db.execute("SET TimeZone = 'UTC'")

    def _look_again(self) -> None:
        """Each report with what was decided of it; without those that say nothing any more.

        One that failed goes on counting where its correction was turned down, and nothing waits for a decision any more.
        """
        last = {row["id"]: row["decision"] for row in sorted(self.rows["review"], key=lambda row: int(row["version"]))}
        for row in self.rows["report"]:
            row["stands"] = last.get(row["id"], row["acceptance"])
        later = {row["supersedes"]: row for row in self.rows["report"] if row["supersedes"]}
        for row in self.rows["report"]:
            correction = later.get(row["id"])
            silent = correction is not None and (row["outcome"] != "fail" or correction["stands"] == "accepted")
            row["counts"] = row["stands"] != "refused" and not silent

    def summary(self, year: int, today: dt.date) -> dict[str, Any]:
        """The year's figures over all kinds, counted by DuckDB."""
        first, last = dt.date(year, 1, 1), min(dt.date(year, 12, 31), today)
        cursor = self.db.execute(
            """
            WITH counted AS (
                SELECT r.id, r.assembly_id, r.performed_on::date AS day, r.performed_at, r.received_at, r.outcome, r.stands AS acceptance, r.protection,
                    json_extract_string(r.verdict, '$.initial.outcome') AS first_outcome
                FROM report r WHERE r.counts
            ), decided AS (
                SELECT *, lag(outcome) OVER w AS before, lead(day) OVER w AS next_day,
                    min(CASE WHEN outcome = 'pass' THEN day END) OVER (w ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING) AS repaired
                FROM counted WHERE outcome = 'fail' OR outcome = 'pass' AND acceptance = 'accepted'
                WINDOW w AS (PARTITION BY assembly_id ORDER BY performed_at, outcome = 'fail', received_at, id)
            ), begun AS (
                SELECT * FROM decided WHERE 'fail' IN (outcome, first_outcome) AND before IS DISTINCT FROM 'fail' AND day BETWEEN $first AND $last
            ), year AS (SELECT * FROM counted WHERE day BETWEEN $first AND $last)
            SELECT
                (SELECT count(*) FROM assembly WHERE in_service AND coalesce(installed_on::date, $first) <= $last) AS assemblies,
                (SELECT count(DISTINCT assembly_id) FROM decided WHERE day BETWEEN $first AND $last) AS tested,
                (SELECT count(*) FROM year) AS tests,
                (SELECT count(*) FROM year WHERE outcome = 'pass' AND acceptance = 'accepted') AS passed,
                (SELECT count(*) FROM year WHERE outcome = 'fail') AS failed,
                (SELECT count(*) FROM year WHERE outcome = 'pass' AND acceptance = 'accepted' AND first_outcome = 'fail') AS repaired_at_once,
                (SELECT count(*) FROM begun) AS failures,
                (SELECT count(repaired) FROM begun) AS repaired,
                (SELECT median(repaired - day) FROM begun) AS median_days_to_repair,
                (SELECT coalesce(sum(greatest(0, date_diff('day', greatest(day, $first::date), least(coalesce(next_day, $last::date + 1), $last::date + 1)))), 0)
                    FROM decided WHERE outcome = 'fail' AND protection = 'lost' AND day <= $last) AS unprotected_days
            """,
            {"first": first, "last": last},
        )
        row = cursor.fetchone()
        assert row is not None
        return dict(zip([column[0] for column in cursor.description or []], row, strict=True))

    def standings(self, incidents: list[dict[str, Any]]) -> dict[str, tuple[str, str | None, str | None]]:
        """Each assembly's status whatever the day (failed, or tested), its due day and the report that says so."""
        reports: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for row in self.rows["report"]:
            if row["counts"]:
                reports[row["assembly_id"]].append(row)
        happened: dict[str, list[dt.date]] = defaultdict(list)
        for one in incidents:
            for assembly in one["assemblies"]:
                happened[assembly].append(dt.datetime.fromisoformat(one["occurred_at"]).astimezone(ZONE).date())
        return {row["id"]: _standing(reports[row["id"]], happened[row["id"]]) for row in self.rows["assembly"]}


def _standing(reports: list[dict[str, Any]], incidents: list[dt.date]) -> tuple[str, str | None, str | None]:
    passed: dict[str, Any] | None = None
    failed: dict[str, Any] | None = None
    failures: list[dt.date] = []
    for row in sorted(
        reports,
        key=lambda one: (
            dt.datetime.fromisoformat(one["performed_at"]),
            dt.datetime.fromisoformat(one["received_at"]),
            one["id"],
        ),
    ):
        if "fail" in (row["outcome"], json.loads(row["verdict"])["initial"]["outcome"]):
            failures.append(dt.date.fromisoformat(row["performed_on"]))
        if row["outcome"] == "fail":
            failed = row
        elif row["outcome"] == "pass" and row["stands"] == "accepted":
            passed, failed = row, None
    if failed is not None:
        return "failed", None, failed["id"]
    if passed is None:
        return "untested", None, None
    day = dt.date.fromisoformat(passed["performed_on"])
    often = sum(one <= day <= _months_later(one, 24) for one in failures) >= 2
    # After an incident the test is due at once: WAC 246-290-490(7)(b) says after it, and names no days.
    due = min([_months_later(day, 6 if often else 12), *(one for one in incidents if one > day)])
    return "tested", due.isoformat(), passed["id"]


def _months_later(day: dt.date, months: int) -> dt.date:
    """The same day so many months later, or the last of that month where it is shorter."""
    years, month = divmod(day.month - 1 + months, 12)
    last = calendar.monthrange(day.year + years, month + 1)[1]
    return dt.date(day.year + years, month + 1, min(day.day, last))
