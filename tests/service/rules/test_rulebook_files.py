"""`nonreturn rulebook check` finds every fault of a file and its line; `nonreturn rulebook stale` what to look at again."""

import datetime as dt
import subprocess
import sys
from importlib import resources
from pathlib import Path

import pytest

import rules
from service.rules.rulebook_files import check_file, stale_rulebooks

FOLDER = Path(str(resources.files("rules"))) / "data" / "rulebooks"

GOOD = """\
id = "us-xx"
title = "A made-up state"
jurisdiction = "US-XX"
extends = "us-common"
in_force_from = 2020-01-01
last_looked_at = 2026-01-01

[[intervals]]
key = "all"
months = 12
source = "common-practice"
clause = "–"
says = "Tested yearly."
"""


def faults(tmp_path: Path, text: str) -> list[tuple[int, str]]:
    path = tmp_path / "us-xx.toml"
    path.write_text(text)
    return [(fault.line, fault.says) for fault in check_file(path)]


@pytest.mark.parametrize("rulebook", rules.rulebook_ids())
def test_no_rulebook_here_has_a_fault(rulebook: str) -> None:
    assert check_file(FOLDER / f"{rulebook}.toml") == []


def test_a_good_file_has_none(tmp_path: Path) -> None:
    assert faults(tmp_path, GOOD) == []


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("months = 12", "months = = 12", 10, "not TOML"),
        ("months = 12", 'months = "twelve"', 10, "Expected"),
        ("months = 12", "months = 12\nweeks = 3", 11, "weeks"),
        ('says = "Tested yearly."', "", 8, "says"),
        ('source = "common-practice"', 'source = "hearsay"', 11, "sources.toml"),
        ('clause = "–"', 'clause = ""', 12, "clause"),
        ('clause = "–"', 'clause = "–"\nprovenance = "published"', 13, "no better than its source"),
        ('id = "us-xx"', 'id = "us-yy"', 1, "name it like the file"),
        ('extends = "us-common"', 'extends = "us-commom"', 4, "Available"),
        ("in_force_from = 2020-01-01", 'in_force_from = "soon"', 5, "in_force_from"),
        ("[[intervals]]", "[[interval]]", 8, "interval"),
        ('extends = "us-common"\n', "", 1, "No criteria"),
        (
            'says = "Tested yearly."',
            'says = "Tested yearly."\n\n[[intervals]]\nkey = "all"\nmonths = 6\nsource = "common-practice"\nclause = "–"\nsays = "Twice."',
            15,
            "already in force",
        ),
        (
            'says = "Tested yearly."',
            'says = "Yes."\n\n[[deadlines]]\nkey = "health_left"\nhazards = ["health"]\nacts_as = ["full"]\ndays = 9\nsource = "common-practice"\nclause = "–"\nsays = "Soon."',
            15,
            "No deadline",
        ),
        ('says = "Tested yearly."', 'says = "Tested yearly"', 13, "whole sentence"),
        (
            'says = "Tested yearly."',
            'says = "Tested yearly."\n\n[[not_read]]\nsubject = "prices"\nsource = "common-practice"\nclause = "–"\nsays = "No."',
            16,
            "Allowed: criteria, intervals, triggers",
        ),
    ],
)
def test_a_fault_is_found_on_its_line(tmp_path: Path, old: str, new: str, line: int, says: str) -> None:
    found = faults(tmp_path, GOOD.replace(old, new, 1))
    assert any(at == line and says in text for at, text in found), found


def test_a_source_within_an_entry_is_checked_too(tmp_path: Path) -> None:
    word = """
[[hazard_words]]
word = "class I"
source = "common-practice"
clause = "–"
says = "Class I."
[hazard_words.serves]
kinds = ["rp"]
source = "no-such-work"
clause = "–"
says = "An RP."
"""
    assert faults(tmp_path, GOOD + word) == [
        (20, "hazard_words: source 'no-such-work' is not listed in rules/data/sources.toml.")
    ]


def test_all_faults_are_found_at_once(tmp_path: Path) -> None:
    bad = GOOD.replace("months = 12", 'months = "x"').replace("2026-01-01", '"never"').replace('"common-practice"', '"hearsay"')
    assert [line for line, _ in faults(tmp_path, bad)] == [6, 10, 11]


def test_a_rulebook_is_stale_once_nobody_looked_for_eighteen_months() -> None:
    # us-common was last looked at on 2026-11-25; 18 months are common practice, no source.
    seen = rules.rulebook_data("us-common").last_looked_at
    last = dt.date(2028, 5, seen.day)
    assert not any(line.startswith("us-common:") for line in stale_rulebooks(last))
    assert any(line.startswith("us-common:") for line in stale_rulebooks(last + dt.timedelta(days=1)))


def test_the_command_says_faults_and_ends_with_1(tmp_path: Path) -> None:
    path = tmp_path / "us-xx.toml"
    path.write_text(GOOD.replace("12", "12.5"))
    ran = subprocess.run(
        [sys.executable, "-m", "service", "rulebook", "check", str(path)], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 1
    assert ran.stdout.startswith(f"{path}:10: ")
    path.write_text(GOOD)
    ran = subprocess.run(
        [sys.executable, "-m", "service", "rulebook", "check", str(path)], capture_output=True, text=True, check=False
    )
    assert (ran.returncode, ran.stdout) == (0, f"{path}: no fault found.\n")


def test_a_wrong_word_is_one_fault_and_lists_the_words_allowed(tmp_path: Path) -> None:
    wrong = '[[deadlines]]\nkey = "a"\nhazards = ["health"]\nacts_as = ["broken"]\ndays = 9\nsource = "common-practice"\nclause = "–"\nsays = "Soon."\n'
    found = faults(tmp_path, GOOD + "\n" + wrong)
    assert [text for _, text in found] == [
        "deadlines: `acts_as`: Invalid enum value 'broken'. Allowed: full, degraded, last_barrier_weak, last_check, lost."
    ]
