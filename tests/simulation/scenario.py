"""Two years of a utility of our own invention: its assemblies, who tests them and when, what goes wrong. The same for the same seed.

Shares of late tests, failures, typing errors and the like are our own choice, large enough that each kind occurs many times.
"""

import csv
import datetime as dt
import io
import random
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from msgspec import Struct

ZONE = ZoneInfo("America/Los_Angeles")
FIRST = dt.date(2024, 1, 1)
LAST = dt.date(2025, 12, 31)
COMPANIES = ("Alder", "Birch", "Cedar", "Dogwood")
OFFLINE = "Dogwood"
"""This company's people work without a network, send what they have every fortnight, and send it twice to be sure."""

KINDS = (
    ("rp", "health", "RPZ", "premises_isolation"),
    ("dc", "non_health", "DCVA", "premises_isolation"),
    ("pvb", "health", "Pressure Vacuum Breaker", "point_of_use"),
    ("svb", "non_health", "SVB", "point_of_use"),
)
SHARES = (35, 25, 28, 12)


class Plot(Struct, kw_only=True):
    """An assembly with its premises, as the utility's spreadsheet states them, and its last test before the programme begins."""

    number: int
    kind: str
    hazard: str
    written: str
    purpose: str
    connection: str
    tested_on: dt.date
    company: str


class Visit(Struct, kw_only=True):
    """A test that is performed: when, by whom, what was read, and what is done with its report."""

    id: UUID
    plot: int
    company: str
    performed_at: dt.datetime
    reason: str
    document: dict[str, Any]
    twice: bool = False
    by_post: bool = False
    expired_gauge: bool = False
    supersedes: UUID | None = None


def at(day: dt.date, hour: int = 10, minute: int = 0) -> dt.datetime:
    """That time of that day where the utility is."""
    return dt.datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE)


class Scenario:
    """The plots, and the visits as the programme unfolds."""

    def __init__(self, plots: int, seed: int = 5) -> None:
        self.chance = random.Random(seed)  # noqa: S311 - the same every time
        self.plots = [self._plot(number) for number in range(plots)]

    def _plot(self, number: int) -> Plot:
        kind, hazard, written, purpose = self.chance.choices(KINDS, SHARES)[0]
        connection = "Irrigation" if purpose == "point_of_use" else self.chance.choice(["Commercial", "Residential"])
        return Plot(
            number=number,
            kind=kind,
            hazard=hazard,
            written=written,
            purpose=purpose,
            connection=connection,
            tested_on=dt.date(2023, 1, 2) + dt.timedelta(days=self.chance.randrange(363)),
            company=self.chance.choice(COMPANIES),
        )

    def new_id(self) -> UUID:
        """An id as a tester's program mints it."""
        return UUID(int=self.chance.getrandbits(128), version=4)

    def readings(self, kind: str, *, good: bool) -> list[dict[str, Any]]:
        """What is read on an assembly of that kind that is good, or has one fouled part."""

        def drawn(low: float, high: float) -> float:
            return round(self.chance.uniform(low, high), 1)

        bad = (
            None
            if good
            else self.chance.choice(
                {"rp": ["check_1", "relief_valve", "check_2"], "dc": ["check_1", "check_2"]}.get(
                    kind, ["check", "air_inlet", "both"]
                )
            )
        )
        if kind == "rp":
            relief = drawn(0.4, 1.6) if bad == "relief_valve" else drawn(2.3, 3.2)
            first = drawn(0.8, 2.2) if bad == "check_1" else drawn(6.8, 9.5)
            return [
                {"component": "check_1", "closed_tight": bad != "check_1", **({"held_at": first} if bad != "check_1" else {})},
                {"component": "relief_valve", "opened": True, "opened_at": relief},
                {
                    "component": "check_2",
                    "closed_tight": bad != "check_2",
                    **({"held_at": drawn(1.3, 3)} if bad != "check_2" else {}),
                },
            ]
        if kind == "dc":
            return [
                {"component": part, "closed_tight": True, "held_at": drawn(0.2, 0.7) if bad == part else drawn(1.3, 3.5)}
                for part in ("check_1", "check_2")
            ]
        stuck = bad in ("air_inlet", "both")
        inlet: dict[str, Any] = (
            {"opened": False} if stuck else {"opened": True, "opened_at": drawn(1.3, 2.2), "opened_fully": True}
        )
        return [
            {"component": "air_inlet", **inlet},
            {
                "component": "check",
                "closed_tight": bad != "both",
                **({"held_at": drawn(0.2, 0.7) if bad == "check" else drawn(1.3, 3)} if bad != "both" else {}),
            },
        ]

    def phase(self, kind: str, *, good: bool) -> dict[str, Any]:
        """One test."""
        return {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": self.readings(kind, good=good)}

    def visit(self, plot: Plot, on: dt.date, *, reason: str = "periodic", good: bool, repaired: bool = False) -> Visit:
        """A visit on a day; one that finds a failure may repair it and test again."""
        document: dict[str, Any] = {"initial_test": self.phase(plot.kind, good=good)}
        if repaired:
            failing = {"rp": "check_1", "dc": "check_1"}.get(plot.kind, "check")
            document |= {
                "repairs": [{"component": failing, "part": "disc", "action": "replaced"}],
                "final_test": self.phase(plot.kind, good=True),
            }
        return Visit(
            id=self.new_id(),
            plot=plot.number,
            company=plot.company,
            performed_at=at(on, self.chance.randint(8, 15), self.chance.randrange(60)),
            reason=reason,
            document=document,
            twice=self.chance.random() < 0.04,
            by_post=self.chance.random() < 0.1,
        )

    def spreadsheet(self) -> bytes:
        """The utility's own list, as it kept it until today: premises, assemblies, and each one's last test."""
        out = io.StringIO()
        write = csv.writer(out)
        write.writerow(
            [
                "Account No.",
                "Customer",
                "Service Address",
                "Connection Type",
                "Serial No.",
                "Type",
                "Hazard",
                "Protection",
                "Size",
                "Installed",
                "Test Date",
                "Test Time",
                "Reason",
                "Tester Cert #",
                "Gauge S/N",
                "Line Pressure (psi)",
                "Check 1 (psid)",
                "RV opening point (psid)",
                "Check #2 (psid)",
                "Air Inlet psi",
                "Air inlet fully open",
                "Check Valve psi",
                "Result",
            ]
        )
        for plot in self.plots:
            read = {one["component"]: one for one in self.readings(plot.kind, good=True)}

            def held(part: str, result: dict[str, dict[str, Any]] = read) -> str:
                one = result.get(part, {})
                return str(one.get("held_at", one.get("opened_at", "")))

            write.writerow(
                [
                    f"C-{plot.number:05}",
                    f"Plot {plot.number}",
                    f"{plot.number} Weir Road",
                    plot.connection,
                    f"S-{plot.number:05}",
                    plot.written,
                    plot.hazard,
                    plot.purpose,
                    self.chance.choice(['1"', "25 mm", '3/4"']),
                    "2015-06-01",
                    plot.tested_on.isoformat(),
                    "10:30",
                    "Annual",
                    f"{plot.company}-1",
                    f"{plot.company}-G1",
                    "60",
                    held("check_1"),
                    held("relief_valve"),
                    held("check_2"),
                    held("air_inlet"),
                    "Y" if "air_inlet" in read else "",
                    held("check"),
                    "Pass",
                ]
            )
        return out.getvalue().encode()
