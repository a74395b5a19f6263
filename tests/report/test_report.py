"""The page a session leaves: complete, alone, with the session's own numbers."""

import re
import statistics
import subprocess
import time
from html.parser import HTMLParser

import numpy as np
import pytest
from conftest import QUANTITIES, TIMEOUT_S, about, binary, hour, run, table

MINUS = "\N{MINUS SIGN}"
VERDICTS = ("not_detected", "stable", "inertial", "indeterminate")


class Page(HTMLParser):
    """Text and elements of a page; elements must be closed in order."""

    VOID = {"meta", "br", "img", "link"}

    def __init__(self, html):
        super().__init__()
        self.open, self.elements, self.text = [], [], ""
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.text += data + " "


def report(session, *more):
    run("report", session, *more)
    html = (session / "report.html").read_text()
    page = Page(html)
    return html, page, re.sub(r"\s+", " ", page.text)


def test_the_page_needs_nothing_from_outside(session):
    html, page, text = report(session)
    kinds = {tag for tag, _ in page.elements}
    assert not kinds & {"script", "link", "iframe", "object", "embed", "form", "base"}
    for _, attributes in page.elements:
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in ("src", "href", "srcset", "action"):
                assert value.startswith(("#", "data:image/png;base64,"))
    assert "@import" not in html and "url(" not in html
    assert about(session)["caution"] in text


def test_configuration_and_hash_stand_in_full(session):
    html, _, text = report(session)
    said = about(session)["configuration"]
    assert said["sha256"] in text
    verbatim = re.search(r"<pre>(.*?)</pre>", html, re.S).group(1)
    for code, sign in (("&lt;", "<"), ("&gt;", ">"), ("&quot;", '"'), ("&#39;", "'"), ("&amp;", "&")):
        verbatim = verbatim.replace(code, sign)
    assert verbatim == said["text"]


def test_counts_and_limits_are_the_sessions_own(session):
    _, _, text = report(session)
    rows = [row for row in table(session / "pulses.csv") if row["stage"] == "exposure"]
    for verdict in VERDICTS:
        count = sum(row["verdict"] == verdict for row in rows)
        assert f"{count} of {len(rows)} {verdict.replace('_', ' ')}" in text
    quiet = [row for row in rows if row["verdict"] == "not_detected"]
    sentence = re.search(r"Not detected in (\d+) pulses?.*?9 of 10 cases", text).group(0)
    for quantity in QUANTITIES:
        limit = statistics.median(float(row[f"{quantity}_hear_db"]) for row in quiet)
        assert f"{quantity} from +{limit:.2f} dB" in sentence


def test_silence_never_stands_without_its_limit(session):
    html, _, _ = report(session)
    for sentence in re.findall(r"<li>[^<]*Not detected[^<]*</li>", html):
        assert "\N{NO-BREAK SPACE}dB over baseline" in sentence
    tile = re.search(r'<div class="tile not_detected.*?</div>', html, re.S).group(0)
    assert re.search(r"broadband from [+−]\d+\.\d\d\sdB", tile)


def test_doses_stand_with_their_definitions(session):
    _, _, text = report(session)
    dose = about(session)["exposures"][0]
    for kind in ("excess_dose_v2s", "raw_dose_v2s", "amplitude_dose_vs"):
        for quantity in QUANTITIES:
            mantissa, exponent = f"{dose[kind][quantity]:.3e}".split("e")
            superscript = str(int(exponent)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
            assert f"{mantissa.replace('-', MINUS)}×10{superscript}" in text
    for words in ("Excess dose: sum over pulses", "Raw dose: sum over pulses", "Amplitude-like dose: sum over"):
        assert words in text


def test_a_report_is_not_written_over_unasked(session):
    report(session)
    (session / "report.html").write_text("mine")
    error = run("report", session, code=73).stderr
    assert "report.html: the file is there already; --force writes over it" in error
    assert (session / "report.html").read_text() == "mine"
    report(session, "--force")
    assert (session / "report.html").read_text() != "mine"


def test_figures_hold_every_pulse_and_the_levels_of_the_table(session, tmp_path):
    figures = tmp_path / "figures"
    report(session, "--figures", figures)
    margin = {"harmonic": 1.5, "ultraharmonic": 0.0, "subharmonic": 0.0}
    rows = [row for row in table(session / "pulses.csv") if row["stage"] == "exposure"]
    data = table(figures / "exposure-1-course.csv")
    assert [row["pulse"] for row in data] == [row["pulse"] for row in rows]
    for row, plotted in zip(rows, data):
        assert plotted["verdict"] == row["verdict"]
        for quantity in QUANTITIES:
            assert plotted[f"{quantity}_detect_db"] == row[f"{quantity}_detect_db"]
            assert plotted[f"{quantity}_hear_cumulative_db"] == row[f"{quantity}_hear_cumulative_db"]
        for quantity, delta in margin.items():
            found = float(plotted[f"{quantity}_limit_with_margin_db"])
            assert found == pytest.approx(float(row[f"{quantity}_limit_db"]) + delta, abs=1e-12)
    for name in ("exposure-1-course.svg", "exposure-1-spectrogram.svg"):
        assert 'xmlns="http://www.w3.org/2000/svg"' in (figures / name).read_text()
    error = run("report", session, "--out", tmp_path / "other.html", "--figures", figures, code=73).stderr
    assert "the folder is not empty" in error


def test_the_spectrogram_keeps_the_loudest_of_what_it_joins(session, tmp_path):
    figures = tmp_path / "figures"
    report(session, "--figures", figures)
    lines = (figures / "exposure-1-spectrogram.csv").read_text().splitlines()
    drawn = np.array([[float(cell or "nan") for cell in line.split(",")[1:]] for line in lines[1:]])
    pulses = [row["stage"] == "exposure" for row in table(session / "pulses.csv")]
    spectra = np.load(session / "spectra.npy")[pulses].max(axis=1)
    bins = spectra.shape[1]
    starts = [int(np.ceil(row * bins / len(drawn))) for row in range(len(drawn))]
    # COMPUTED with NumPy: maximum.reduceat over the bins of a row.
    expected = np.maximum.reduceat(spectra, starts, axis=1).T
    assert drawn.shape == expected.shape
    np.testing.assert_array_equal(drawn.astype(np.float32), expected)


def path_ends(svg, kind):
    """From and to of the runs of a class."""
    found = re.findall(rf'<path class="{kind}" d="([^"]*)"', svg)
    return [tuple(map(float, run)) for d in found for run in re.findall(r"M([\d.]+) [\d.]+H([\d.]+)", d)]


def test_an_hour_is_small_and_fast_and_hides_no_passing_pulse(shared, tmp_path):
    session = hour(shared, tmp_path / "hour")
    start = time.monotonic()
    html, _, text = report(session)
    assert time.monotonic() - start < 10
    assert len(html) < 5_000_000
    assert "17999 of 18000 not detected" in text and "1 of 18000 inertial" in text
    ((left, right),) = path_ends(html, "vi")
    # Half the hour, on a plot that begins at 112 and is 576 wide.
    assert left <= 112 + 576 / 2 + 1 and right >= 112 + 576 / 2 - 1 and right > left
    (lane,) = path_ends(html, "vn")
    assert lane == (112, 688)


def test_a_session_without_an_end_is_told_as_one(session):
    (session / "session.json").unlink()
    text = (session / "pulses.csv").read_text()
    (session / "pulses.csv").write_text(text[: text.rindex(",")])
    (session / "exposures.csv").write_text((session / "exposures.csv").read_text().splitlines()[0] + "\n")
    _, _, text = report(session)
    assert "This session was not ended in order" in text
    assert "44 pulses at 0.09 to 0.3 MPa" in text


def test_names_cannot_leave_their_place(session):
    text = (session / "session.json").read_text()
    subject = about(session)["session"]["subject"]
    (session / "session.json").write_text(text.replace(subject, "<script>alert(1)</script>&amp;"))
    html, page, text = report(session)
    assert "<script" not in html
    assert "<script>alert(1)</script>&amp;" in text


@pytest.mark.parametrize(
    ("name", "old", "new", "message"),
    [
        ("pulses.csv", ",baseline,", ",bath,", 'pulses.csv, line 2, column stage: "bath" must be one of noise'),
        ("exposures.csv", "\n1,", "\none,", 'exposures.csv, line 2, column exposure: "one" must be a whole'),
        ("events.ndjson", '{"event"', '{"even', "events.ndjson, line 1: "),
        ("session.json", '"simmer"', '"other"', "session.json, key simmer: must be the version"),
        ("spectra.npy", "<f4", "<f8", "spectra.npy, head, descr: must be '<f4'"),
    ],
)
def test_what_cannot_be_read_is_named(session, name, old, new, message):
    file = session / name
    data = file.read_bytes()
    assert old.encode() in data
    file.write_bytes(data.replace(old.encode(), new.encode(), 1))
    assert message in run("report", session, code=65).stderr
    assert not (session / "report.html").exists()


def test_no_session_is_not_found(tmp_path):
    assert "not found" in run("report", tmp_path / "nowhere", code=66).stderr
    assert "pulses.csv: not found" in run("report", tmp_path, code=66).stderr


def attempt(session, out):
    """A report of whatever is there."""
    arguments = [binary(), "report", session, "--out", out]
    return subprocess.run(arguments, capture_output=True, text=True, timeout=TIMEOUT_S)


def test_files_cut_anywhere_end_with_an_error_and_no_panic(session, tmp_path):
    for name in ("pulses.csv", "exposures.csv", "events.ndjson", "session.json", "spectra.npy"):
        data = (session / name).read_bytes()
        for part in range(0, 12):
            (session / name).write_bytes(data[: len(data) * part // 12 - 1 if part else 0])
            out = tmp_path / f"{name}-{part}.html"
            done = attempt(session, out)
            assert done.returncode in (0, 65), done.stderr
            assert "panicked" not in done.stderr
        (session / name).write_bytes(data)


def test_the_help_shows_an_example_on_demo_data():
    text = run("report", "--help").stdout
    assert "simmer replay -c demo-data/config.toml" in text and "simmer report out/reported" in text
