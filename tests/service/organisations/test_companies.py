"""What a testing company sees: its own reports, testers and gauges, and the assemblies granted to it; held by the database itself."""

import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple
from uuid import UUID, uuid4

import asyncpg
import pytest

from service.record.changes import store as changes
from tests.support.databases import ask
from tests.support.world import Place, World, bearer, certificate


class Company(NamedTuple):
    """A testing company with a key, a tester and a gauge of its own."""

    id: str
    key: str
    tester: str
    gauge: str
    place: Place

    def get(self, path: str, **parameters: Any) -> Any:
        """The answer to GET below the utility."""
        return self.place.world.client.get(f"{self.place.base}{path}", params=parameters, headers=bearer(self.key))

    def ids(self, path: str, name: str = "id", **parameters: Any) -> set[str]:
        """What a list holds."""
        answer = self.get(path, limit=500, **parameters)
        assert answer.status_code == 200, answer.text
        return {one[name] for one in answer.json()["items"]}

    def put(self, report_id: Any = None, **changes: Any) -> Any:
        """The answer to a report of this company's."""
        document = self.place.report(**{"tester_id": self.tester, "gauge_id": self.gauge} | changes)
        path = f"{self.place.base}/reports/{report_id or uuid4()}"
        return self.place.world.client.put(path, json=document, headers=bearer(self.key))

    def recorded(self, **changes: Any) -> str:
        """The id of a new report of this company's."""
        answer = self.put(**changes)
        assert answer.status_code == 201, answer.text
        return str(answer.json()["report"]["id"])

    def feed(self) -> set[tuple[str, str]]:
        """Everything that the feed states it, from the beginning."""
        found: set[tuple[str, str]] = set()
        path = f"{self.place.base}/changes?limit=3"
        while True:
            page = self.place.world.client.get(path, headers=bearer(self.key)).json()
            if page["next"] == path.replace("?limit=3", "?limit=3&after=0") or page["next"] == path:
                return found
            found |= {(one["resource"], one["id"]) for one in page["items"]}
            path = page["next"]

    def granted(self, scope: str, *assemblies: str) -> None:
        """Set what it sees."""
        base = f"{self.place.base}/assembly-grants/{self.id}"
        headers = bearer(self.place.keys["utility"])
        assert self.place.world.client.put(base, json={"assemblies": scope}, headers=headers).status_code == 204
        for one in assemblies:
            assert self.place.world.client.put(f"{base}/{one}", headers=headers).status_code == 204


def company(place: Place, name: str) -> Company:
    """A new testing company that is granted the utility."""
    world = place.world
    organisation = world.made("/v1/organisations", kind="testing_company", name=name)["id"]
    world.operator.put(f"{place.base}/grants/{organisation}").raise_for_status()
    return Company(
        organisation,
        world.made(f"/v1/organisations/{organisation}/keys", label="app")["key"],
        place.made("testers", name=f"Tester of {name}", certificates=[certificate()], organisation_id=organisation)["id"],
        place.made(
            "gauges",
            serial_number=f"G-{name}",
            units={"pressure": "psi"},
            accuracy=0.2,
            resolution=0.1,
            calibrations=[{"calibrated_on": "2026-01-12"}],
            organisation_id=organisation,
        )["id"],
        place,
    )


@pytest.fixture
def ash(place: Place) -> Company:
    """One company."""
    return company(place, "Ash")


@pytest.fixture
def beech(place: Place) -> Company:
    """Another, granted the same utility."""
    return company(place, "Beech")


def test_a_company_sees_no_other_companys_reports_testers_or_gauges(place: Place, ash: Company, beech: Company) -> None:
    own, others = ash.recorded(), beech.recorded()
    unattached = place.recorded()["report"]["id"]
    assert ash.ids("/reports") == ash.ids(f"/assemblies/{place.assembly}/reports") == {own}
    assert [ash.get(f"/reports/{one}").status_code for one in (own, others, unattached)] == [200, 404, 404]
    # Testers and gauges of no company are the utility's; whoever tests there may name them.
    assert ash.ids("/testers") == {ash.tester, place.tester}
    assert ash.ids("/gauges") == {ash.gauge, place.gauge}
    assert [ash.get(f"/testers/{one.tester}").status_code for one in (ash, beech)] == [200, 404]
    result = ash.feed()
    assert {id_ for resource, id_ in result if resource == "reports"} == {own}
    assert {id_ for resource, id_ in result if resource == "testers"} == {ash.tester, place.tester}
    assert {("assemblies", place.assembly), ("standings", place.assembly), ("premises", place.premises)} <= result
    # The utility sees them all, on the same connections.
    assert {one["id"] for one in place.get("/reports").json()["items"]} >= {own, others, unattached}


def test_a_company_reports_with_no_other_companys_tester_or_gauge(ash: Company, beech: Company) -> None:
    for member, other in (("tester_id", beech.tester), ("gauge_id", beech.gauge)):
        answer = ash.put(**{member: other})
        nowhere = ash.put(**{member: str(uuid4())})
        assert (answer.status_code, answer.json()["errors"]) == (422, nowhere.json()["errors"])
        assert answer.json()["errors"][0]["pointer"] == f"/{member}"


def test_a_company_neither_corrects_nor_finds_again_anothers_report(place: Place, ash: Company, beech: Company) -> None:
    theirs = beech.recorded()
    refused = ash.put(supersedes=theirs, supersedes_because="mine")
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/supersedes")
    # The same bytes under the same id, with things that both may name.
    shared = {"tester_id": place.tester, "gauge_id": place.gauge}
    again = uuid4()
    assert beech.put(again, **shared).status_code == 201
    assert beech.put(again, **shared).status_code == 200
    assert ash.put(again, **shared).status_code == 409


def test_a_report_belongs_to_the_company_that_its_tester_was_of(place: Place, ash: Company, beech: Company, world: World) -> None:
    by_utility = place.put(uuid4(), place.report(tester_id=ash.tester), key="utility").json()["report"]["id"]
    assert (ash.ids("/reports"), beech.ids("/reports")) == ({by_utility}, set())
    path = f"{place.base}/testers/{ash.tester}"
    headers = {"If-Match": '"1"', "Content-Type": "application/merge-patch+json"}
    world.operator.patch(path, json={"organisation_id": beech.id}, headers=headers).raise_for_status()
    later = place.put(uuid4(), place.report(tester_id=ash.tester), key="utility").json()["report"]["id"]
    assert (ash.ids("/reports"), beech.ids("/reports")) == ({by_utility}, {later})


def test_a_company_learns_that_its_report_was_corrected(place: Place, ash: Company, beech: Company) -> None:
    wrong = ash.recorded(tester_id=place.tester)
    document = place.report(supersedes=wrong, supersedes_because="misread")
    right = place.put(uuid4(), document, key="utility").json()["report"]["id"]
    assert ash.get(f"/reports/{wrong}").json()["report"]["superseded_by"] == right
    assert ash.ids("/reports") == {wrong, right}
    assert beech.ids("/reports") == set()


def test_listed_assemblies_are_all_that_a_company_sees(place: Place, ash: Company, beech: Company, world: World) -> None:
    elsewhere = place.made("premises", name="Yard", address="3 Mill Race", connection="irrigation")["id"]
    hidden = place.made("assemblies", premises_id=elsewhere, kind="pvb", hazard="health", purpose="point_of_use")["id"]
    assert ash.ids("/assemblies") == {place.assembly, hidden}
    own = ash.recorded(assembly_id=hidden)
    ash.granted("listed", place.assembly)
    assert [one["assemblies"] for one in place.get("/grants").json()["items"] if one["organisation_id"] == ash.id] == ["listed"]
    for path, name in (("/assemblies", "id"), ("/standings", "assembly_id")):
        assert ash.ids(path, name) == {place.assembly}
        files = world.client.get(f"{place.base}{path}", headers=bearer(ash.key) | {"Accept": "application/x-ndjson"})
        assert {json.loads(line)[name] for line in files.text.splitlines()} == {place.assembly}
    assert ash.ids("/premises") == {place.premises}
    for path in (
        f"/assemblies/{hidden}",
        f"/assemblies/{hidden}/standing",
        f"/assemblies/{hidden}/reports",
        f"/premises/{elsewhere}",
    ):
        assert ash.get(path).status_code == 404
    # Its own report on it stays, without how the assembly stands by others' tests.
    kept = ash.get(f"/reports/{own}").json()
    assert (kept["report"]["id"], "standing" in kept) == (own, False)
    result = ash.feed()
    assert not {("assemblies", hidden), ("standings", hidden), ("premises", elsewhere)} & result
    assert ("reports", own) in result
    refused = ash.put(assembly_id=hidden)
    nowhere = ash.put(assembly_id=str(uuid4()))
    assert (refused.status_code, refused.json()["errors"]) == (422, nowhere.json()["errors"])
    assert ash.put().status_code == 201
    assert beech.ids("/assemblies") == {place.assembly, hidden}
    # And in a batch, line by line.
    lines = b"\n".join(
        json.dumps({"id": str(uuid4()), **place.report(assembly_id=one, tester_id=ash.tester, gauge_id=ash.gauge)}).encode()
        for one in (hidden, place.assembly)
    )
    headers = bearer(ash.key) | {"Content-Type": "application/x-ndjson"}
    answers = world.client.post(f"{place.base}/reports/batches", content=lines, headers=headers).text.splitlines()
    assert [json.loads(line)["status"] for line in answers] == [422, 201]


def test_a_grant_given_and_taken_is_reported_in_the_feed_and_ends_at_once(
    place: Place, ash: Company, beech: Company, world: World
) -> None:
    ash.granted("listed")
    assert ash.ids("/assemblies") == set()
    ash.granted("listed", place.assembly, place.assembly)
    assert ash.ids("/assemblies") == {place.assembly}
    base = f"/assembly-grants/{ash.id}"
    assert [one["assembly_id"] for one in place.get(base).json()["items"]] == [place.assembly]
    headers = bearer(place.keys["utility"])
    path = f"{place.base}{base}/{place.assembly}"
    assert [world.client.delete(path, headers=headers).status_code for _ in range(2)] == [204, 404]
    assert ash.ids("/assemblies") == set()
    assert ("assembly_grants", ash.id) in ash.feed()
    assert ("assembly_grants", ash.id) not in beech.feed()
    whole = [one for one in place.get("/changes", limit=500).json()["items"] if one["resource"] == "assembly_grants"]
    assert [one["id"] for one in whole] == [ash.id] * 3
    ash.granted("all")
    assert ash.ids("/assemblies") == {place.assembly}


def test_what_is_granted_goes_with_the_utility(place: Place, ash: Company, world: World) -> None:
    ash.granted("listed", place.assembly)
    assert ash.ids("/assemblies") == {place.assembly}
    world.operator.delete(f"{place.base}/grants/{ash.id}").raise_for_status()
    # A key looked up a moment ago is still known, and sees nothing.
    assert ash.get("/assemblies").status_code == 404
    assert ash.put().status_code == 422
    world.clock.pass_by(seconds=6)
    assert ash.get("/assemblies").status_code == 404
    assert world.database.owner("SELECT FROM record.assembly_grant WHERE organisation_id = $1", UUID(ash.id)) == []


@pytest.mark.parametrize("kind", ["utility", "regulator"])
def test_assemblies_are_granted_to_testing_companies_of_the_utility(place: Place, world: World, kind: str) -> None:
    headers = bearer(place.keys["utility"])
    for organisation, status in ((place.organisations[kind], 422), (uuid4(), 404)):
        base = f"{place.base}/assembly-grants/{organisation}"
        assert world.client.put(base, json={"assemblies": "listed"}, headers=headers).status_code == status
        assert world.client.put(f"{base}/{place.assembly}", headers=headers).status_code == status
        assert world.client.get(base, headers=headers).status_code == status
    other = world.place()
    path = f"{place.base}/assembly-grants/{place.organisations['testing_company']}/{other.assembly}"
    assert world.client.put(path, headers=headers).status_code == 404


def test_a_past_day_is_the_same_for_a_company_as_for_the_utility(
    place: Place, ash: Company, beech: Company, world: World
) -> None:
    beech.recorded(check=0.6)
    world.clock.pass_by(days=2)
    path = f"/assemblies/{place.assembly}/standing"
    assert ash.get(path, as_of="2026-06-01").json() == place.get(path, as_of="2026-06-01").json()
    assert ash.get(path, as_of="2026-06-01").json()["status"] == "failed"
    assert ash.get(path).json() == place.get(path).json()


def test_reports_of_several_companies_written_together_stay_each_its_own(place: Place, ash: Company, beech: Company) -> None:
    with ThreadPoolExecutor(8) as pool:
        sent = list(pool.map(lambda n: (n % 2, (ash, beech)[n % 2].recorded(check=1.1 + n / 50)), range(24)))
    for number, one in enumerate((ash, beech)):
        assert one.ids("/reports") == {report for which, report in sent if which == number}


def test_a_companys_feed_goes_past_what_is_others(
    place: Place, ash: Company, beech: Company, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(5):
        beech.recorded()
    own = ash.recorded()
    whole = place.get("/changes", limit=500).json()["items"]
    monkeypatch.setattr(changes, "AT_ONE_LOOK", 4)
    start = next(one["sequence"] for one in whole if one["resource"] == "reports") - 1
    # Of the next four changes (reports and standings in turn) a company gets the standings; the look ends behind the fourth.
    first = ash.get("/changes", after=start).json()
    assert {one["resource"] for one in first["items"]} == {"standings"}
    assert first["next"].endswith(f"after={start + 4}")
    # One that sees nothing of them gets on all the same, and a wait ends at the first that it sees.
    ash.granted("listed")
    blind = ash.get("/changes", after=start).json()
    assert (blind["items"], blind["next"].endswith(f"after={start + 4}")) == ([], True)
    waited = ash.get("/changes", after=start, wait=5).json()
    assert [(one["resource"], one["id"]) for one in waited["items"][:1]] == [("reports", own)]
    assert waited["items"][0]["sequence"] == next(one["sequence"] for one in whole if one["id"] == own)
    assert ("reports", own) in ash.feed()
    assert not any(resource == "reports" and id_ != own for resource, id_ in ash.feed())


def as_company(place: Place, one: str, sql: str, utility: str | None = None) -> list[Any]:
    """The rows of a statement that the service's login asks as a testing company."""

    async def asked(service: Any) -> list[Any]:
        await service.execute(
            "SELECT set_config('nonreturn.utility', $1, false), set_config('nonreturn.organisation', $2, false), "
            "set_config('role', 'nonreturn_company', false)",
            utility or place.code,
            one,
        )
        return list(await service.fetch(sql))

    return list(ask(place.world.database.dsn, asked))


READABLE = (
    "assembly",
    "assembly_grant",
    "change",
    "gauge",
    "local_rulebook",
    "premises",
    "report",
    "report_flag",
    "review",
    "standing",
    "tester",
    "utility",
    "utility_log",
    "word",
)


def test_raw_sql_as_a_company_shows_what_is_granted_and_nothing_else(place: Place, ash: Company, beech: Company) -> None:
    own = ash.recorded(declared="fail")
    for report in (own, beech.recorded(declared="fail")):
        headers = bearer(place.keys["utility"]) | {"If-Match": '"0"'}
        decision = {"decision": "accepted", "because": "B", "decided_by": "D"}
        place.world.client.patch(f"{place.base}/reviews/{report}", json=decision, headers=headers).raise_for_status()
    beech.granted("listed", place.assembly)
    ash.granted("listed", place.assembly)
    place.new_assembly("pvb")

    def seen(table: str, of: str = ash.id, utility: str | None = None) -> int:
        return int(as_company(place, of, f"SELECT count(*) FROM record.{table}", utility)[0][0])  # noqa: S608 - our own names

    assert {table: seen(table) for table in READABLE if table not in ("change", "word")} == {
        "assembly": 1,
        "assembly_grant": 1,
        "gauge": 2,
        "local_rulebook": 0,
        "premises": 1,
        "report": 1,
        "report_flag": 1,
        "review": 1,
        "standing": 1,
        "tester": 2,
        "utility": 1,
        "utility_log": 1,
    }
    # The words are those of the premises, the testers and the gauges that it sees; the assembly has no number.
    assert as_company(place, ash.id, "SELECT count(DISTINCT id) FROM record.word")[0][0] == 1 + 2 + 2
    assert str(as_company(place, ash.id, "SELECT id FROM record.report")[0][0]) == own
    other = place.world.place()
    other.recorded()
    for of, utility in ((ash.id, other.code), (str(uuid4()), place.code), ("", place.code)):
        assert {seen(table, of, utility) for table in READABLE} == {0}, (of, utility)


def test_raw_sql_as_a_company_reads_no_other_table_and_writes_none(place: Place, ash: Company, world: World) -> None:
    tables = world.database.owner(
        "SELECT schemaname || '.' || tablename FROM pg_tables WHERE schemaname IN ('record', 'access') ORDER BY 1"
    )
    closed = {row[0] for row in tables} - {f"record.{table}" for table in READABLE}
    assert len(closed) > 5
    # All names here are our own.
    statements = [
        *(f"SELECT count(*) FROM {table}" for table in closed),  # noqa: S608
        "SELECT contact FROM record.premises",
        *(f"DELETE FROM record.{table}" for table in READABLE),  # noqa: S608
        *(f"UPDATE record.{table} SET utility_id = utility_id" for table in READABLE),  # noqa: S608
        *(f"INSERT INTO record.{table} SELECT * FROM record.{table}" for table in READABLE if table != "premises"),  # noqa: S608
    ]
    for sql in statements:
        with pytest.raises((asyncpg.InsufficientPrivilegeError, asyncpg.GeneratedAlwaysError)):
            as_company(place, ash.id, sql)


def test_every_table_open_to_companies_shows_them_a_part(world: World) -> None:
    rows = world.database.owner(
        """
        SELECT t.relname, EXISTS (SELECT FROM pg_policy p WHERE p.polrelid = t.oid AND p.polname = 'own_company' AND NOT p.polpermissive) AS parted
        FROM pg_class t JOIN pg_namespace s ON s.oid = t.relnamespace
        WHERE s.nspname = 'record' AND t.relkind = 'r' AND has_any_column_privilege('nonreturn_company', t.oid, 'SELECT')
        """
    )
    assert {row["relname"] for row in rows} == set(READABLE)
    assert all(row["parted"] for row in rows)
    [service] = world.database.owner("SELECT pg_has_role('nonreturn_service', 'nonreturn_company', 'USAGE')")
    assert service[0] is False, "The service would be held to a company's view."
