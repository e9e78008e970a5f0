"""The field test of vacuum breakers: a PVB by one hose or sight tube, air inlet first; an SVB by one hose, check first."""

from rules.operation.bench import BLEEDS
from rules.operation.practice_run import Run


class VacuumBreakerTest:
    """The steps, each under its code. A PVB has two test cocks; an SVB has one test cock and a vent screw."""

    def __init__(self, run: Run, *, tube: bool = False) -> None:
        """Begin as the assembly is found."""
        self.run, self.bench, self.gauge = run, run.bench, run.gauge
        self.tube = tube
        self.compensated = False
        self.spills = False

    def arrive(self) -> None:
        """See whether water runs from the air inlet before the test."""
        self.spills = self.bench.state.vented > 0
        if self.spills:
            self.run.record("air_inlet", spilling="continuous")
        self.run.see("arrive", "spills" if self.spills else "quiet")

    def pvb_connect(self) -> None:
        """The gauge at test cock 2."""
        self.run.see("pvb_connect", "bled")

    def pvb_tube_connect(self) -> None:
        """The tube at test cock 2."""
        self.run.see("pvb_tube_connect", "bled")

    def svb_connect(self) -> None:
        """The gauge at the one test cock."""
        self.run.see("svb_connect", "bled")

    def pvb_shutoffs(self) -> None:
        """See whether the shutoffs hold."""
        self._shutoffs("pvb_shutoffs")

    def svb_shutoffs(self) -> None:
        """See whether the shutoffs hold."""
        self._shutoffs("svb_shutoffs")

    def _shutoffs(self, code: str) -> None:
        self.bench.work(inlet_open=True)
        for side, condition in (("inlet", self.bench.inlet), ("outlet", self.bench.outlet)):
            self.run.record_shutoff(side, "tight" if condition == "tight" else "leaking")
        seen = []
        if self.bench.inlet != "tight" or (self.bench.outlet != "tight" and self.bench.backpressure):
            seen.append("rises")
        if self.bench.outlet != "tight" and not self.bench.backpressure:
            seen.append("sinks_slowly")
        if self.bench.outlet != "tight":
            self.run.record_phase(backpressure_present=self.bench.backpressure)
        self.run.see(code, *(seen or ["holds"]))

    def pvb_compensate(self) -> None:
        """Bleed off what comes through the No. 1 shutoff."""
        self._compensate("pvb_compensate")

    def svb_compensate(self) -> None:
        """Bleed off what comes through the No. 1 shutoff."""
        self._compensate("svb_compensate")

    def _compensate(self, code: str) -> None:
        if self.bench.inlet == "tight":
            return
        self.compensated = self.bench.inlet == "leaking"
        if self.compensated:
            self.run.record_shutoff("inlet", "leaking_no_flow_proved")
        self.run.see(code, "still_now" if self.compensated else "still_rises")

    def pvb_air_inlet(self) -> None:
        """The air inlet as the body is bled."""
        self._air_inlet("pvb_air_inlet")

    def pvb_tube_air_inlet(self) -> None:
        """The air inlet by the tube."""
        self._air_inlet("pvb_tube_air_inlet")

    def svb_air_inlet(self) -> None:
        """The air inlet as the water before the check is bled; its diaphragm feels that pressure."""
        self._air_inlet("svb_air_inlet")

    def _air_inlet(self, code: str) -> None:
        self.bench.work(inlet_open=True)
        now = self.bench.work(inlet_open=False, inlet_bled=self.compensated)
        for needle in BLEEDS:
            now = self.bench.work(inlet_open=False, inlet_bled=self.compensated, middle_cock=needle)
            if now.vent_open:
                break
        opens = now.vent_open
        fully = opens and self.bench.opens_fully
        if self.spills:
            # It is open, or drips, under pressure already: there is no moment at which it lifts.
            self.run.record("air_inlet", opened=opens, opened_fully=fully)
            self.run.see(code, "spills", "not_done")
            return
        if not opens and self.gauge.past_the_dial(now.middle) and not self.tube:
            self.run.record("air_inlet", opened=False, opened_fully=False)
            self.run.see(code, "stays_down_off_scale")
            return
        at = self.gauge.read(self.bench.opening if opens else now.middle, level_matters=True)
        self.run.record("air_inlet", opened=opens, opened_at=at if opens else None, opened_fully=fully)
        seen = "lifts" if fully else "lifts_partly" if opens else "stays_down"
        self.run.see(code, f"{seen}_column" if self.tube else seen, reading=at)

    def pvb_check(self) -> None:
        """The check with the body open to the atmosphere."""
        self._check("pvb_check")

    def pvb_tube_check(self) -> None:
        """The check by the tube."""
        self._check("pvb_tube_check")

    def svb_check(self) -> None:
        """The check with the vent screw out."""
        self._check("svb_check")

    def _check(self, code: str) -> None:
        self.bench.work(inlet_open=True)
        now = self.bench.work(inlet_open=False, inlet_bled=self.compensated, middle_cock="test_cock")
        if self.gauge.past_the_dial(now.inlet) and not self.tube:
            self.run.see(code, "off_scale")
            return
        tight = self.gauge.shows_pressure(now.inlet)
        reading = self.gauge.read(now.inlet, level_matters=True)
        self.run.record("check", closed_tight=tight, held_at=reading if tight else None)
        flows = self.bench.inlet != "tight" and not self.compensated
        if self.tube:
            seen = "column_runs" if flows else "column_drips" if self.compensated else "column"
        else:
            seen = "water_runs" if flows else "drips_only" if self.compensated else "stands_still"
        self.run.see(code, seen, reading=reading, means="" if tight else "check_leaks")

    def restore(self) -> None:
        """As it was found."""
        self.run.see("restore", "bled")
