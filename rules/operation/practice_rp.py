"""The field test of a reduced pressure principle assembly: relief valve, check 2 against backpressure, check 1, as USC's order has it."""

from typing import Literal

from rules.operation.bench import BLEEDS
from rules.operation.elements import ReliefValve
from rules.operation.practice_run import Run
from rules.operation.zones import State


class ReducedPressureTest:
    """The steps, each under its code; what one finds decides what the next can do."""

    def __init__(self, run: Run) -> None:
        """Begin as the assembly is found."""
        self.run, self.bench, self.gauge = run, run.bench, run.gauge
        self.found_discharging = ""
        self.runs_on = False
        self.opened = False
        self.no_flow_proved = False

    def arrive(self) -> None:
        """See whether water runs from the relief port before the test."""
        before = self.bench.state
        relief = self.bench.made_of.vent
        assert isinstance(relief, ReliefValve)  # noqa: S101 - narrows the type
        if before.vented > 0:
            self.found_discharging = "continuous"
        elif (
            self.bench.swing and relief.status == "sound" and before.inlet - 2 * self.bench.swing - before.middle < relief.opening
        ):
            self.found_discharging = "intermittent"
        if self.bench.swing:
            self.bench.dip()
        if self.found_discharging:
            self.run.record("relief_valve", discharging=self.found_discharging)
        self.run.see("arrive", {"": "quiet", "continuous": "runs", "intermittent": "now_and_then"}[self.found_discharging])

    def rp_connect(self) -> None:
        """The gauge across check 1."""
        self.run.see("rp_connect", "bled")

    def rp_close(self) -> None:
        """No. 2 closed: the apparent drop."""
        self._lower_zone()
        now = self.bench.work(inlet_open=True)
        self.runs_on = now.vented > 0
        seen = ["runs_on"] if self.runs_on else ["runs_no_more"] if self.found_discharging == "continuous" else []
        drop = now.inlet - now.middle
        if self.gauge.past_the_dial(drop):
            self.run.see("rp_close", *seen, "off_scale")
            return
        needle = "swings" if self.bench.swing else "rests" if self.gauge.shows_pressure(drop) else "falls"
        self.run.see("rp_close", *seen, needle, reading=self.gauge.read(drop))

    def rp_relief(self) -> None:
        """The relief valve's opening point, where it is not open already."""
        if self.runs_on:
            self.run.record("relief_valve", opened=True)
            self.run.see("rp_relief", "runs_on", "not_done")
            return
        self._open_relief("rp_relief", outlet="closed")

    def rp_compensate(self) -> None:
        """Where it did not open: feed a leak of the No. 2 shutoff with a hose, and try again."""
        if self.opened or self.runs_on:
            return
        self._open_relief("rp_compensate", outlet="hose")
        self.no_flow_proved = self.opened

    def _open_relief(self, code: str, *, outlet: Literal["closed", "hose"]) -> None:
        self._lower_zone()
        now = self.bench.work(inlet_open=True, outlet=outlet, steady=True)
        for needle in BLEEDS:
            now = self.bench.work(inlet_open=True, across=needle, outlet=outlet, steady=True)
            if now.vent_open:
                break
        self.opened = now.vent_open
        at = self.gauge.read(now.inlet - now.middle)
        if self.opened:
            self.run.record("relief_valve", opened=True, opened_at=at)
            self.run.see(code, "first_drop", reading=at)
        else:
            self.run.record("relief_valve", opened=False, opened_at=None)
            self.run.see(code, "no_drop_high" if self.gauge.shows_pressure(now.inlet - now.middle) else "no_drop", reading=at)

    def rp_check_2(self) -> None:
        """Check 2 against the supply's pressure behind it."""
        rested = self._rest().inlet - self.bench.state.middle
        if self.gauge.past_the_dial(rested):
            self.run.see("rp_check_2", "off_scale", "not_done")
            return
        if not self.gauge.shows_pressure(rested - self.bench.opening):
            # Without a differential over the relief valve's opening point, a fall to it cannot be seen.
            seen = "cannot_raise" if self.runs_on else "falls"
            self.run.see("rp_check_2", seen, "not_done", reading=self.gauge.read(rested))
            return
        # The zone is brought well down, then the hose is opened: what comes through check 2 raises it again.
        now = self.bench.work(inlet_open=True, outlet="hose", steady=True)
        settled = now.inlet - now.middle
        tight = self.gauge.shows_pressure(settled - self.bench.opening)
        self.run.record("check_2", tight_against_backpressure=tight)
        self.run.see("rp_check_2", "stays_up" if tight else "falls_twice", reading=self.gauge.read(settled))

    def rp_shutoff(self) -> None:
        """See whether the No. 2 shutoff holds what is shut in before it."""
        leaking = self.bench.outlet != "tight"
        if not leaking:
            self.run.record_shutoff("outlet", "tight")
            self.run.see("rp_shutoff", "steady")
            return
        pushed = self.bench.outside > self.bench.pressure
        if pushed:
            self.run.record_phase(backpressure_present=True)
        # A hose that keeps the water behind check 2 above the zone has stopped the flow through the checks.
        fed = self.bench.work(inlet_open=True, outlet="hose", steady=True)
        self.no_flow_proved = self.no_flow_proved or (not pushed and fed.flow_out == 0)
        self.run.record_shutoff("outlet", "leaking_no_flow_proved" if self.no_flow_proved else "leaking")
        self.run.see("rp_shutoff", "climbs" if pushed else "sinks")

    def rp_check_1(self) -> None:
        """Check 1's static drop; where the supply swings, its lowest, unless the relief valve spits at that."""
        fed = self.no_flow_proved and self.bench.outlet != "tight"
        self._lower_zone()
        now = self.bench.work(inlet_open=True, outlet="hose" if fed else "closed")
        drop = now.inlet - now.middle
        steadied = bool(self.bench.swing) and not self.gauge.shows_pressure(drop - self.bench.opening)
        if steadied:
            now = self._rest(fed=fed)
            drop = now.inlet - now.middle
        if self.gauge.past_the_dial(drop):
            self.run.see("rp_check_1", "off_scale")
            return
        # A differential well over the relief valve's spring, with water running all the same, is not the check's doing.
        quiet = not now.vent_open or drop > self.bench.opening
        tight = quiet and self.gauge.shows_pressure(drop)
        reading = self.gauge.read(drop)
        swung = True if self.bench.swing and not steadied else None
        self.run.record("check_1", closed_tight=tight, held_at=reading if tight else None, fluctuated=swung)
        seen = "steadied" if steadied else "swings" if swung else "rests" if tight else "falls"
        self.run.see("rp_check_1", seen, reading=reading, means="" if tight else "check_leaks")

    def rp_check_2_forward(self) -> None:
        """Check 2's static drop in the direction of flow, where the No. 2 shutoff holds."""
        if self.bench.outlet != "tight":
            self.run.see("rp_check_2_forward", "not_done_flow")
            return
        self.bench.work(inlet_open=True, outlet="cock", steady=True)
        now = self.bench.work(inlet_open=True, steady=True)
        drop = now.middle - now.outlet
        tight = self.gauge.shows_pressure(drop)
        reading = self.gauge.read(drop)
        self.run.record("check_2", closed_tight=tight, held_at=reading if tight else None)
        self.run.see("rp_check_2_forward", "rests" if tight else "falls", reading=reading, means="" if tight else "check_leaks")

    def restore(self) -> None:
        """As it was found."""
        self.run.see("restore", "bled")

    def _lower_zone(self) -> None:
        """Bleed the low side: the zone comes down, and check 1 sets its drop again."""
        self.bench.work(inlet_open=True, middle_cock="needle")

    def _rest(self, *, fed: bool = False) -> State:
        """The assembly at rest, the zone bled, at a moment when the supply does not swing."""
        self.bench.work(inlet_open=True, middle_cock="needle", steady=True)
        return self.bench.work(inlet_open=True, outlet="hose" if fed else "closed", steady=True)
