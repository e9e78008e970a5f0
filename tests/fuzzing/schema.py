"""`schema`: asks every published call of the running service tens of thousands of times, as its contract allows and as it does not.

The checks are those of `tests/support/conformance.py`, which sends the same requests on each run. Here the seed is an option, and the paths and
bodies often name a record that exists.
"""

import argparse
import itertools
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import hypothesis
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import negative_data_rejection

from service.db.embedded import EmbeddedPostgres
from service.db.migrate import migrate
from service.secrets import Secret
from tests.mutation.kept import commit, keep
from tests.mutation.questions import OF_THE_RULES
from tests.support.conformance import contract
from tests.support.databases import TEMPLATE, ask, data_folder, fresh_database, in_thread
from tests.support.table import show
from tests.support.world import SIGNING_KEYS, World, bearer, world_in


def arguments(made: argparse.ArgumentParser) -> None:
    """The options of this command."""
    made.add_argument("--cases", type=int, default=50_000, help="how many requests in all (default 50000)")
    made.add_argument("--seed", type=int, default=1, help="where chance begins (default 1)")
    made.add_argument("--minutes", type=float, help="end after so many, whatever was asked by then")
    made.add_argument(
        "--folder",
        type=Path,
        default=Path(tempfile.gettempdir()) / "nonreturn-strength",
        help="where what was run is written down",
    )


def run(options: argparse.Namespace) -> int:
    """Ask, and print the table; 0 where every answer was as the contract says."""
    commit()
    with data_folder() as folder:
        postgres = EmbeddedPostgres(folder)
        try:
            ask(postgres.dsn(), lambda connection: connection.execute(f"CREATE DATABASE {TEMPLATE}"))
            in_thread(lambda: migrate(postgres.dsn(database=TEMPLATE)))
            opened = {"signing_keys": SIGNING_KEYS, "webhook_key": Secret(b"k" * 32), "webhooks_private": True}
            with fresh_database(postgres, TEMPLATE) as database, world_in(database, **opened) as world:
                return _asked(world, options)
        finally:
            postgres.stop()


class _Caller:
    """Sends cases, half of the good ones about what exists, counts the answers and keeps the first failure of each sort."""

    def __init__(self, world: World, known: dict[str, list[str]], good: dict[str, Any]) -> None:
        self.world = world
        self.known = known
        self.good = good
        self.answers: Counter[tuple[str, int]] = Counter()
        self.failures: dict[str, str] = {}

    @property
    def count(self) -> int:
        """How many requests were sent."""
        return sum(self.answers.values())

    def __call__(self, case: Any) -> None:
        self._place(case)
        if case.query and case.operation.path.endswith("/changes"):
            # A long poll would be waited for.
            case.query.pop("wait", None)
        left_out = [negative_data_rejection] if case.method == "GET" else []
        answer = self._answer(case)
        self.answers[case.operation.label, answer.status_code] += 1
        try:
            case.validate_response(answer, excluded_checks=left_out)
        except (AssertionError, BaseExceptionGroup) as error:
            sort = ", ".join(type(one).__name__ for one in getattr(error, "exceptions", [error]))
            mode = case.meta.generation.mode.value
            named = f"{case.operation.label}, {mode}: {sort}"
            if named not in self.failures:
                self.failures[named] = "".join(traceback.format_exception_only(error))
                print(f"\n== {named}\n{self.failures[named]}", file=sys.stderr, flush=True)
        self._learn(case, answer)

    def _answer(self, case: Any) -> Any:
        # This program may be stopped for a while so that others can measure; then the service, too, finds that everything took too long.
        while True:
            started = time.monotonic()
            answer = case.call(headers=bearer(self.world.operator_key), timeout=1_000)
            if answer.status_code != 503 or time.monotonic() - started < _STOPPED:
                return answer

    def _place(self, case: Any) -> None:
        """Put what exists into a good case's path, body and `If-Match`, every second time."""
        turn, other = divmod(self.count, 2)
        if case.meta.generation.mode is not GenerationMode.POSITIVE or other:
            return
        plural = case.operation.path.partition("/{id}")[0].rpartition("/")[2]
        body = case.body if isinstance(case.body, dict) else {}
        for holder in (case.path_parameters or {}, body):
            for name in holder:
                if (holder is body and name != "rulebook" and not name.endswith("_id")) or (
                    name == "id" and case.method == "PUT"
                ):
                    continue
                if of_kind := self.known.get(plural if name == "id" else _PLURALS.get(name.removesuffix("_id"), "")):
                    holder[name] = of_kind[turn % len(of_kind)]
        body |= {name: value for name, value in _GOOD.items() if name in body}
        if {"assembly_id", "tester_id"} <= set(body):
            # A report that is made up holds no test; with one in it, it is recorded or contradicts the record.
            case.body = self.good | {name: body[name] for name in _KEPT & set(body)}
        if (question := OF_THE_RULES.get(case.operation.definition.raw["operationId"])) and body:
            # One member at a time of a question that can be answered.
            one = sorted(body)[turn % len(body)]
            case.body = question | {one: body[one]}
        for name in case.headers or {}:
            if name.lower() == "if-match":
                case.headers[name] = self._tag(case)

    def _tag(self, case: Any) -> str:
        """The tag of what is to be changed, as it is now."""
        path = case.formatted_path
        return self.world.operator.get(path).headers.get("etag", '"1"') if path.isascii() else '"1"'

    def _learn(self, case: Any, answer: Any) -> None:
        """What was made serves in later paths."""
        plural = case.operation.path.removesuffix("/{id}").rpartition("/")[2]
        if answer.status_code == 201 and answer.headers["content-type"][0] == "application/json":
            made = answer.json()
            made = made.get("report", made)
            if isinstance(made.get("id"), str):
                self.known.setdefault(plural, []).append(made["id"])
        elif answer.status_code == 200 and case.method == "GET" and answer.headers["content-type"][0] == "application/json":
            listed = answer.json()
            for one in listed.get("items", [])[:5] if isinstance(listed, dict) else []:
                if isinstance(one, dict) and isinstance(one.get("id"), str) and one["id"] not in self.known.get(plural, []):
                    self.known.setdefault(plural, []).append(one["id"])


_PLURALS = {
    "utility": "utilities",
    "assembly": "assemblies",
    "premises": "premises",
    "tester": "testers",
    "gauge": "gauges",
    "report": "reports",
    "organisation": "organisations",
    "rulebook": "rulebooks",
    "year": "years",
    "key": "keys",
    "delivery": "deliveries",
}
# What no schema can say: places in time, zones and addresses that are good.
_GOOD = {
    "time_zone": "UTC",
    "performed_at": "2026-05-14T09:20:00-07:00",
    "occurred_at": "2026-05-14T09:20:00-07:00",
    "url": "http://127.0.0.1:9/hook",
}
_STOPPED = 9.0
"""No refusal takes so many seconds here, unless all stood still meanwhile."""
_KEPT = {"id", "reason", "remarks", "declared", "line_pressure", "repairs"}


def _asked(world: World, options: argparse.Namespace) -> int:
    place = world.place()
    report = place.recorded()["report"]["id"]
    known = {
        "utilities": [place.code],
        "assemblies": [place.assembly],
        "premises": [place.premises],
        "testers": [place.tester],
        "gauges": [place.gauge],
        "reports": [report],
        "organisations": list(place.organisations.values()),
        "rulebooks": ["us-wa"],
        "years": ["2026"],
    }
    found = [made.ok() for made in contract(world, {}).get_all_operations()]
    at_once = max(1, min(50, options.cases // (2 * len(found))))
    until = time.monotonic() + 60 * (options.minutes or 1e6)
    caller = _Caller(world, known, place.report())
    for seed, operation, mode in _rounds(options.seed, found):
        if caller.count >= options.cases or time.monotonic() > until:
            break
        _some(caller, operation, mode, at_once, seed)
        print(f"\r{caller.count} asked, {len(caller.failures)} failures   ", end="", file=sys.stderr, flush=True)
    return _report(caller.answers, caller.failures, options)


def _rounds(seed: int, found: list[Any]) -> Iterator[tuple[int, Any, GenerationMode]]:
    for round_ in itertools.count():
        for operation in found:
            for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
                yield seed * 1_000 + round_, operation, mode


def _some(caller: _Caller, operation: Any, mode: GenerationMode, examples: int, seed: int) -> None:
    @hypothesis.seed(seed)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate],
    )
    @given(case=operation.as_strategy(generation_mode=mode))
    def asked(case: Any) -> None:
        caller(case)

    # A call that takes nothing has no bad request.
    with suppress(Unsatisfiable):
        asked()


def _report(answers: Counter[tuple[str, int]], failures: dict[str, str], options: argparse.Namespace) -> int:
    labels = sorted({label for label, _ in answers})
    statuses = sorted({status // 100 for _, status in answers})
    rows: list[list[Any]] = [
        [
            label,
            *[
                sum(count for (one, status), count in answers.items() if one == label and status // 100 == hundred)
                for hundred in statuses
            ],
        ]
        for label in labels
    ]
    totals = ["all", *[sum(int(row[at]) for row in rows) for at in range(1, len(statuses) + 1)]]
    title = f"Answers by call (schemathesis {schemathesis.__version__}), seed {options.seed}, commit {commit()}"
    show(title, ["call", *[f"{one}xx" for one in statuses]], [*rows, totals])
    for label in failures:
        print(label)
    print(f"{sum(answers.values()):,} asked, {len(failures)} failures.")
    by_call: dict[str, dict[int, int]] = {}
    for (label, status), count in sorted(answers.items()):
        by_call.setdefault(label, {})[status] = count
    keep(options.folder / "schema.json", seed=options.seed, cases=sum(answers.values()), failures=sorted(failures), calls=by_call)
    return min(1, len(failures))
