"""Secrets of the service: from a file or the environment, refused where too short, never shown."""

import stat
from pathlib import Path

import pytest

from service.secrets import Secret, kept_in
from service.settings import Settings

LONG = "a-secret-of-more-than-thirty-two-bytes"


def test_a_key_is_read_from_a_file_or_the_environment_and_not_shown(tmp_path: Path) -> None:
    file = tmp_path / "key"
    file.write_text(LONG + "\n")
    for environment in ({"NONRETURN_WEBHOOK_KEY_FILE": str(file)}, {"NONRETURN_WEBHOOK_KEY": LONG}):
        settings = Settings.from_environment(environment)
        assert settings.webhook_key == LONG.encode()
        assert LONG not in repr(settings)
        assert LONG not in f"{settings.webhook_key}"
    assert Settings.from_environment({}).webhook_key is None


@pytest.mark.parametrize(
    "environment",
    [
        {"NONRETURN_WEBHOOK_KEY": "short"},
        {"NONRETURN_WEBHOOK_KEY_FILE": "/nowhere/at/all"},
        {"NONRETURN_WEBHOOKS_PRIVATE": "perhaps"},
        {"NONRETURN_DELIVER": "2"},
    ],
)
def test_what_cannot_serve_is_refused_by_its_name_and_not_shown(environment: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=next(iter(environment))) as refused:
        Settings.from_environment(environment)
    assert "short" not in str(refused.value).replace("too short", "")


def test_switches_are_read() -> None:
    result = Settings.from_environment({"NONRETURN_WEBHOOKS_PRIVATE": "1", "NONRETURN_DELIVER": "no"})
    assert (result.webhooks_private, result.deliver) == (True, False)
    assert (Settings().webhooks_private, Settings().deliver) == (False, True)


def test_a_key_of_the_services_own_is_made_once_and_readable_by_its_owner_alone(tmp_path: Path) -> None:
    file = tmp_path / "webhook.key"
    made = kept_in(file)
    assert isinstance(made, Secret)
    assert len(made) >= 32
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert kept_in(file) == made
    assert kept_in(tmp_path / "another.key") != made
