"""Values in odd spellings: read as their standard says, or refused with the fault named."""

import pytest

from tests.support.world import Place, World


@pytest.mark.parametrize("sent", ["0.5", "1767225600", "-1"])
def test_a_number_is_no_time(place: Place, sent: str) -> None:
    # RFC 3339, 5.6: a date, `T`, a time and an offset.
    answer = place.get("/reports", received_from=sent)
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (400, "not_a_time")


def test_a_whole_number_with_a_point_hides_no_other_fault(place: Place) -> None:
    # JSON Schema 2020-12, Validation, 6.1.1: 81.0 is an integer.
    document = {"premises_id": place.premises, "kind": "air_gap", "test_interval_months": 81.0}
    answer = place.world.operator.post(f"{place.base}/assemblies", json=document)
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["/hazard"]


@pytest.mark.parametrize("path", ["/v1/assembly-kinds", "/v1/premises-types"])
def test_a_list_without_parameters_is_a_file_too(world: World, path: str) -> None:
    items = world.client.get(path).json()["items"]
    lines = world.client.get(path, params={"format": "ndjson"}).text.splitlines()
    assert len(lines) == len(items)
