"""The field test of a double check valve assembly, by one hose, sight tube, two hoses or duplex gauge; and of a Type II bypass check."""

from collections.abc import Callable

from rules.catalogue import Component
from rules.operation.bench import leaks
from rules.operation.practice_run import Run
from rules.operation.zones import State


class OneHoseDoubleCheckTest:
    """Both shutoffs closed, one side of the check open to the atmosphere. A sight tube reads the same differential as a column of water."""

    def __init__(self, run: Run, *, tube: bool) -> None:
        """Begin as the assembly is found."""
        self.run, self.bench, self.gauge = run, run.bench, run.gauge
        self.tube = tube
        self.compensated = False
        self.water_ran = False

    def arrive(self) -> None:
        """Nothing on a double check opens to the outside."""
        self.run.see("arrive", "quiet")

    def dc_connect(self) -> None:
        """The gauge, or the tube, at test cock 2."""
        self.run.see("dc_connect", "bled")

    def tube_connect(self) -> None:
        """The tube at test cock 2."""
        self.run.see("tube_connect", "bled")

    def dc_check_1(self) -> None:
        """Check 1 with the zone open to the atmosphere."""
        self._check_1("dc_check_1")

    def tube_check_1(self) -> None:
        """Check 1 by the tube."""
        self._check_1("tube_check_1")

    def dc_compensate(self) -> None:
        """Where water ran on: bleed off at test cock 2 what comes through the No. 1 shutoff."""
        if self.bench.inlet == "tight":
            self.run.record_shutoff("inlet", "tight")
            return
        self.compensated = self.bench.inlet == "leaking"
        found = "leaking_no_flow_proved" if self.compensated else "leaking"
        self.run.record_shutoff("inlet", found)
        self._read("dc_compensate", "check_1", self._open_middle().inlet)

    def _check_1(self, code: str) -> None:
        self.bench.work(inlet_open=True)
        self._read(code, "check_1", self._open_middle().inlet)

    def _open_middle(self) -> State:
        return self.bench.work(inlet_open=False, inlet_bled=self.compensated, middle_cock="test_cock")

    def dc_check_2(self) -> None:
        """Check 2 with test cock 4 open."""
        self._check_2("dc_check_2")

    def tube_check_2(self) -> None:
        """Check 2 by the tube."""
        self._check_2("tube_check_2")

    def _check_2(self, code: str) -> None:
        self.bench.work(inlet_open=True)
        self.bench.work(inlet_open=False, inlet_bled=self.compensated)
        now = self.bench.work(inlet_open=False, inlet_bled=self.compensated, outlet="cock")
        if self.bench.outlet == "tight":
            self.run.record_shutoff("outlet", "tight")
        else:
            self.run.record_shutoff("outlet", "leaking")
            self.run.record_phase(backpressure_present=self.bench.backpressure)
        self._read(code, "check_2", now.middle, recedes=self.bench.outlet != "tight" and not self.bench.backpressure)

    def _read(self, code: str, component: Component, true: float, *, recedes: bool = False) -> None:
        """Read the water before a check over the atmosphere."""
        if self.gauge.past_the_dial(true) and not self.tube:
            self.run.see(code, "off_scale")
            return
        tight = self.gauge.shows_pressure(true)
        reading = self.gauge.read(true, level_matters=True)
        self.run.record(component, closed_tight=tight, held_at=reading if tight else None)
        from_behind = component == "check_2" and self.bench.outlet != "tight" and self.bench.backpressure
        flows = (self.bench.inlet != "tight" and not self.compensated) or from_behind
        if self.tube:
            seen = "column_runs" if flows else "column_drips" if self.compensated else "column_recedes" if recedes else "column"
        else:
            seen = "water_runs" if flows else "drips_only" if self.compensated else "level_recedes" if recedes else "stands_still"
        self.run.see(code, seen, reading=reading, means="" if tight else "check_leaks")

    def restore(self) -> None:
        """As it was found."""
        self.run.see("restore", "bled")


class TwoHoseDoubleCheckTest:
    """The No. 1 shutoff stays open; the gauge across each check in turn."""

    def __init__(self, run: Run) -> None:
        """Begin as the assembly is found."""
        self.run, self.bench, self.gauge = run, run.bench, run.gauge

    def arrive(self) -> None:
        """Nothing on a double check opens to the outside."""
        self.run.see("arrive", "quiet")

    def two_connect(self) -> None:
        """The gauge across check 1."""
        self.run.see("two_connect", "bled")

    def two_backpressure(self) -> None:
        """Look whether the downstream side is the higher one."""
        present = self.bench.backpressure and self.bench.outside > self.bench.pressure
        self.run.record_phase(backpressure_present=present)
        self.run.see("two_backpressure", "higher" if present else "level")

    def two_check_1(self) -> None:
        """Check 1's static drop."""
        self._read("two_check_1", "check_1", _over_first)

    def two_check_2(self) -> None:
        """Check 2's static drop, where nothing presses on it from behind."""
        if self.bench.outlet != "tight" and self.bench.backpressure:
            self.run.see("two_check_2", "not_done_flow")
            return
        self._read("two_check_2", "check_2", _over_second)

    def _read(self, code: str, component: Component, over: Callable[[State], float]) -> None:
        """Read the differential; where the supply swings, its lowest, unless that is nothing."""
        true = over(self._bled(steady=False))
        steadied = bool(self.bench.swing) and not self.gauge.shows_pressure(true)
        if steadied:
            true = over(self._bled(steady=True))
        tight = self.gauge.shows_pressure(true)
        reading = self.gauge.read(true)
        swung = True if self.bench.swing and not steadied else None
        self.run.record(component, closed_tight=tight, held_at=reading if tight else None, fluctuated=swung)
        seen = "steadied" if steadied else "swings" if swung else "rests" if tight else "falls"
        self.run.see(code, seen, reading=reading, means="" if tight else "check_leaks")

    def _bled(self, *, steady: bool) -> State:
        """At rest after the low side was bled, with the No. 1 shutoff open."""
        self.bench.work(inlet_open=True, outlet="cock", steady=True)
        return self.bench.work(inlet_open=True, steady=steady)

    def two_shutoff(self) -> None:
        """See whether the No. 2 shutoff holds."""
        tight = self.bench.outlet == "tight"
        self.run.record_shutoff("outlet", "tight" if tight else "leaking")
        self.run.see("two_shutoff", "steady" if tight else "climbs" if self.bench.backpressure else "sinks")

    def restore(self) -> None:
        """As it was found."""
        self.run.see("restore", "bled")

    # The one check on the bypass of a Type II detector assembly.

    def bypass_connect(self) -> None:
        """The gauge across the bypass check."""
        self.run.see("bypass_connect", "bled")

    def bypass_check(self) -> None:
        """Its static drop."""
        self._read("bypass_check", "check", _over_first)


def _over_first(state: State) -> float:
    return state.inlet - state.middle


def _over_second(state: State) -> float:
    return state.middle - state.outlet


class DuplexDoubleCheckTest:
    """2 psi pressed on each check from behind: tight or not, without a number."""

    def __init__(self, run: Run) -> None:
        """Begin as the assembly is found."""
        self.run, self.bench = run, run.bench

    def arrive(self) -> None:
        """Nothing on a double check opens to the outside."""
        self.run.see("arrive", "quiet")

    def duplex_connect(self) -> None:
        """Two needles, one either side."""
        self.run.see("duplex_connect", "bled")

    def duplex_check_1(self) -> None:
        """Check 1."""
        self._press("duplex_check_1", "check_1", tight=not leaks(self.bench.made_of.first))

    def duplex_check_2(self) -> None:
        """Check 2."""
        self._press("duplex_check_2", "check_2", tight=not leaks(self.bench.made_of.second))

    def _press(self, code: str, component: Component, *, tight: bool) -> None:
        self.run.record(component, tight_against_backpressure=tight)
        self.run.see(code, "needles_hold" if tight else "needles_meet")

    def restore(self) -> None:
        """As it was found."""
        self.run.see("restore", "bled")
