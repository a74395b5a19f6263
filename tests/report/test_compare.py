"""What differs between two sessions."""

import json
import shutil

from conftest import DEMO, replay, run, table


def compare(a, b):
    return json.loads(run("compare", a, b, "--format", "json").stdout)


def test_the_same_recordings_give_equal_sessions(shared, tmp_path):
    again = replay(tmp_path / "again", DEMO / "config.toml", "--workers", "1", "--block-bytes", "4099")
    found = compare(shared, again)
    assert found["equal"] and found["pulses"]["same_bytes"] and found["pulses"]["in_both"] == 135
    text = run("compare", shared, again).stdout
    assert "The sessions are equal" in text and "pulses.csv: equal byte for byte" in text


def test_settings_and_verdicts_that_differ_are_told(shared, tmp_path):
    text = (DEMO / "config.toml").read_text()
    config = tmp_path / "config.toml"
    other = text.replace("ultraharmonic = 0.0, subharmonic = 0.0", "ultraharmonic = 7.0, subharmonic = 9.0")
    assert other != text
    config.write_text(other)
    loud = replay(tmp_path / "other", config)
    found = compare(shared, loud)
    assert not found["equal"]
    assert {(pair["name"], pair["a"], pair["b"]) for pair in found["configuration"]} == {
        ("detect.repeatability_db.ultraharmonic", 0.0, 7.0),
        ("detect.repeatability_db.subharmonic", 0.0, 9.0),
    }
    rows = zip(table(shared / "pulses.csv"), table(loud / "pulses.csv"))
    differ = [(int(a["pulse"]), a, b) for a, b in rows if a["verdict"] != b["verdict"]]
    assert found["pulses"]["verdict_differs"] == len(differ) > 0
    assert [pulse["pulse"] for pulse in found["pulses"]["first"]] == [pulse for pulse, _, _ in differ][:10]
    assert differ[0][1]["reason"] in found["pulses"]["first"][0]["a"]
    assert "not detected, broadband heard from " in found["pulses"]["first"][0]["b"]
    assert f"verdicts: other in {len(differ)} pulses" in run("compare", shared, loud).stdout


def test_comments_are_no_difference(shared, session):
    said = json.loads((session / "session.json").read_text())
    said["configuration"]["text"] = "# another word\n" + said["configuration"]["text"]
    (session / "session.json").write_text(json.dumps(said))
    found = compare(shared, session)
    assert found["configuration"] == []
    assert "texts differ, their values do not" in run("compare", shared, session).stdout


def test_pulses_of_one_only_are_counted(shared, session):
    lines = (session / "pulses.csv").read_text().splitlines(keepends=True)
    (session / "pulses.csv").write_text("".join(lines[:3] + lines[5:]))
    pulses = compare(shared, session)["pulses"]
    assert (pulses["in_both"], pulses["only_in_a"], pulses["only_in_b"]) == (133, 2, 0)
    assert not pulses["same_bytes"]


def test_faults_are_named(shared, session, tmp_path):
    run("compare", shared, tmp_path / "nowhere", code=66)
    shutil.copy(session / "exposures.csv", session / "pulses.csv")
    assert 'pulses.csv, line 1: the column "pulse" is missing' in run("compare", shared, session, code=65).stderr
