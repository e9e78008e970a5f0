"""What operators watch: valid OpenMetrics, that counts what was done and names nobody."""

from prometheus_client.openmetrics.parser import text_string_to_metric_families

from tests.support.world import Place


def values(place: Place) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    answer = place.world.client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    # The reference parser of the format refuses anything that is not OpenMetrics.
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def test_a_report_is_counted_as_request_and_verdict(place: Place) -> None:
    failed = ("nonreturn_verdicts_total", (("acceptance", "accepted"), ("outcome", "fail")))
    asked = ("nonreturn_requests_total", (("operation", "submitReport"), ("status", "201")))
    before = values(place)
    place.recorded(check=0.6)
    after = values(place)
    assert after[failed] - before.get(failed, 0) == 1
    assert after[asked] - before.get(asked, 0) == 1
    assert after["nonreturn_reports_waiting", ()] == 0


def test_a_problem_is_counted_with_its_status(place: Place) -> None:
    refused = ("nonreturn_requests_total", (("operation", "listReports"), ("status", "401")))
    before = values(place)
    assert place.world.client.get(f"{place.base}/reports").status_code == 401
    assert values(place)[refused] - before.get(refused, 0) == 1


def test_no_label_states_anybody(place: Place) -> None:
    place.recorded()
    assert place.code not in place.world.client.get("/metrics").text
