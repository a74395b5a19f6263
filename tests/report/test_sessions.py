"""The list of sessions and the table of their exposures."""

import csv
import json
import shutil

import pytest
from conftest import run, table


@pytest.fixture
def shelf(shared, tmp_path):
    """Two sessions, one of them deeper, and a link that leads round in a circle."""
    shutil.copytree(shared, tmp_path / "one")
    shutil.copytree(shared, tmp_path / "year" / "month" / "two")
    (tmp_path / "year" / "round").symlink_to(tmp_path)
    return tmp_path


def test_sessions_are_listed_at_any_depth_and_once(shelf):
    listed = json.loads(run("sessions", shelf, "--format", "json").stdout)
    assert [session["session"] for session in listed] == ["one", "year/month/two"]
    rows = [row for row in table(shelf / "one" / "pulses.csv") if row["verdict"]]
    verdicts = listed[0]["verdicts"]
    assert verdicts == {name: sum(row["verdict"] == name for row in rows) for name in verdicts}
    assert sum(verdicts.values()) == 45
    assert listed[0]["pulses"] == 135 and listed[0]["finished"] and listed[0]["alarms"] == 2


def test_table_and_csv_say_the_same(shelf):
    rows = table(run("sessions", shelf, "--format", "csv").stdout)
    lines = run("sessions", shelf).stdout.splitlines()
    assert len(lines) == 1 + len(rows)
    for row, line in zip(rows, lines[1:]):
        assert line.startswith(row["session"]) and row["subject"] in line


def test_exposures_are_joined_by_name_and_missing_cells_are_empty(shelf):
    older = shelf / "year" / "month" / "two" / "exposures.csv"
    rows = list(csv.reader(older.read_text().splitlines()))
    kept = [name for name in rows[0] if "_cumulative_" not in name]
    old = {name: [row[rows[0].index(name)] for row in rows[1:]] for name in kept}
    order = sorted(kept, reverse=True)
    lines = [order] + [list(values) for values in zip(*(old[name] for name in order))]
    older.write_text("".join(",".join(line) + "\n" for line in lines))
    text = run("sessions", shelf, "--exposures").stdout
    joined = table(text)
    assert text.splitlines()[0].startswith("session,start,exposure,target,")
    assert [row["session"] for row in joined] == ["one", "year/month/two"]
    for name in kept:
        assert joined[1][name] == old[name][0] == joined[0][name]
    assert joined[0]["harmonic_cumulative_pulse"] != "" and joined[1]["harmonic_cumulative_pulse"] == ""
    same = json.loads(run("sessions", shelf, "--exposures", "--format", "json").stdout)
    assert same[1]["harmonic_cumulative_pulse"] is None and same[0]["received"] == 45


def test_a_folder_that_cannot_be_read_is_named_and_the_others_listed(shelf):
    (shelf / "bad").mkdir()
    (shelf / "bad" / "pulses.csv").write_text("colour\nred\n")
    done = run("sessions", shelf, "--format", "csv", code=65)
    assert [row["session"] for row in table(done.stdout)] == ["one", "year/month/two"]
    assert 'bad/pulses.csv, line 1: the column "pulse" is missing' in done.stderr


def test_a_session_without_an_end_is_listed_as_one(shelf):
    (shelf / "one" / "session.json").unlink()
    (shelf / "one" / "exposures.csv").write_text((shelf / "one" / "exposures.csv").read_text().splitlines()[0] + "\n")
    listed = json.loads(run("sessions", shelf, "--format", "json").stdout)
    assert [(s["finished"], s["exposures"]) for s in listed] == [(False, 1), (True, 1)]


def test_usage(tmp_path):
    assert "no such folder" in run("sessions", tmp_path / "nowhere", code=66).stderr
    run("sessions", tmp_path, "--exposures", "--format", "table", code=2)
    assert "no session folder" in run("sessions", tmp_path).stderr
