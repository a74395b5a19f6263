"""Whole sessions with acts, replayed by the binary and compared in all that pulses say together.

λ and band powers are taken from the session's own rows (after a look that they are the oracle's to
2e-4 dB), so that everything that follows from them must agree in double precision: cumulative limits to
1e-8, limits of m of n, which both sides find by quadrature, to 1e-6.
"""

import json

import numpy as np
import pytest

from judge import Judge
from make import configuration, record, write_config
from method import QUANTITIES, Plan
from test_verdicts import TOLERANCE_DB, lucky, reason_faults

CLOSED_FORM, QUADRATURE = 1e-8, 1e-6


class Luck(AssertionError):
    """Something in the session is a matter of luck."""


def small(**changes):
    """A bench of short pulses at a low rate: N = 800, 7 segments, lines of 7 bins, 60 expected pulses."""
    return configuration(
        **{
            "drive__frequency_hz": 0.25e6,
            "drive__pulse_s": 1e-3,
            "receive__sample_rate_hz": 4e6,
            "receive__gate_start_s": 0.1e-3,
            "receive__gate_end_s": 0.9e-3,
            "bands__guard_half_width_hz": 30e3,
            "bands__broadband_hz": [[0.4e6, 1.9e6]],
            "bands__notches_hz": [],
            "detect__expected_pulses": 60,
            "detect__noise_drift_db": 3.0,
        }
        | changes
    )


def acts(path, marks, voids=()):
    """A file of acts with an injection mark for each number of a first pulse it holds for.

    `voids` are pairs (pulse, i): from that pulse on the i-th mark, from 1, is taken back.
    """
    common = {"event": "mark", "time_s": 0.0, "target": "", "mark": "injection", "by": "operator"}
    lines = [
        common | {"pulse": pulse, "id": i + 1, "number": i + 1, "backdated_s": 0, "text": ""}
        for i, pulse in enumerate(marks)
    ]
    lines += [
        {key: value for key, value in common.items()}
        | {"mark": "void", "pulse": pulse, "id": len(marks) + 1 + k, "void": i, "backdated_s": 0, "text": ""}
        for k, (pulse, i) in enumerate(voids)
    ]
    lines.sort(key=lambda line: line["pulse"])
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return path


def feed(pulses, session, names):
    """Puts the rows' λ and band powers into the readings, which must be close to them already."""
    for pulse in pulses:
        for name, reading in zip(names, pulse.readings, strict=True):
            row = session.row(pulse.number, name)
            for q in QUANTITIES if reading.heard else ():
                for cell, numbers in ((f"{q}_contrast_db", reading.lam_db), (f"{q}_v2", reading.power_v2)):
                    if np.isfinite(numbers[q]):
                        scale = {"abs": TOLERANCE_DB, "rel": 0.0} if cell.endswith("db") else {"rel": 1e-4, "abs": 0.0}
                        assert float(row[cell]) == pytest.approx(numbers[q], **scale), (pulse.number, cell)
                        numbers[q] = float(row[cell])


def is_number(cell, want, rel):
    """Whether a cell (text, or a JSON number or null) is the number; without one it is empty."""
    if want is None or not np.isfinite(want):
        return cell in ("", None)
    return cell not in ("", None) and float(cell) == pytest.approx(want, rel=rel, abs=1e-12)


def row_faults(got, want):
    """What in a row of pulses.csv is not the oracle's."""
    cells = [(f"{q}_{kind}", numbers.get(q), rel) for q in QUANTITIES for kind, numbers, rel in (
        ("limit_db", want.limit_db, QUADRATURE),
        ("hear_db", want.hear_db, QUADRATURE),
        ("hear_v2", want.hear_v2, QUADRATURE),
        ("hear_cumulative_db", want.hear_cumulative_db, CLOSED_FORM),
        ("hear_cumulative_v2", want.hear_cumulative_v2, CLOSED_FORM),
    )]  # fmt: skip
    faults = [f"{c} is {got[c]!r}, the oracle has {x}" for c, x, rel in cells if not is_number(got[c], x, rel)]
    for column, text in (("verdict", want.verdict), ("cumulative", want.cumulative)):
        if got[column] != text:
            faults.append(f"{column} is {got[column]!r}, the oracle has {text!r}")
    return faults + reason_faults(got["reason"], want)


def exposure_faults(got, want):
    """What in a row of exposures.csv is not the oracle's."""
    faults = []
    for q in QUANTITIES:
        found = want.first.get(q)
        texts = {"pulse": str(found.pulse), "channel": str(found.channel)} if found else {"pulse": "", "channel": ""}
        numbers = (
            {"mpa": found.drive_mpa, "db": found.series.excess_db(), "within_db": found.series.within_db()}
            if found
            else {"mpa": None, "db": None, "within_db": None}
        )
        for kind in texts | numbers:
            cell, wanted = got[f"{q}_cumulative_{kind}"], (texts | numbers)[kind]
            if not (cell == wanted if kind in texts else is_number(cell, wanted, CLOSED_FORM)):
                faults.append(f"{q}_cumulative_{kind} is {cell!r}, the oracle has {wanted!r}")
    return faults


def event_faults(events, exposures):
    """What in the events `established` is not the oracle's: one for each exposure, drive and quantity."""
    key = lambda pulse, quantity, drive_mpa: (pulse, quantity, drive_mpa)
    wanted = {key(e.pulse, e.quantity, e.drive_mpa): e for x in exposures for e in x.by_drive.values()}
    got = [(key(e["pulse"], e["quantity"], e["drive_mpa"]), e) for e in events if e["event"] == "established"]
    faults = [f"event {k} comes twice" for k in {k for k, _ in got} if sum(k == other for other, _ in got) > 1]
    got = dict(got)
    faults += [f"no event {k}" for k in wanted.keys() - got.keys()]
    faults += [f"event {k} is not the oracle's" for k in got.keys() - wanted.keys()]
    for k in got.keys() & wanted.keys():
        event, want = got[k], wanted[k]
        if event["channel"] != want.channel:
            faults.append(f"event {k} has channel {event['channel']!r}, the oracle {want.channel!r}")
        for name, number in (("excess_db", want.excess_db), ("within_db", want.within_db)):
            if not is_number(event[name], number, CLOSED_FORM):
                faults.append(f"event {k} has {name} {event[name]!r}, the oracle {number}")
    return faults


def check_together(simmer, config, emissions, seed, marks=(), voids=(), change=None):
    """Replays a recording made of the emissions; every row, exposure and event must be the oracle's.

    Gives the session, the oracle's rows and its exposures.
    """
    recording = record(config, emissions, seed)
    if change:
        change(recording)
    path = write_config(config, simmer.folder / "config.toml")
    options = ["--acts", acts(simmer.folder / "acts.ndjson", marks, voids)] if marks else []
    session = simmer.replay(path, recording.write(simmer.folder / f"seed{seed}"), options=options)
    unused = config["receive"]["unused_channels"]
    names = [c for c in range(config["receive"]["channels"]) if c not in unused]
    pulses = recording.pulses_heard(Plan(config))
    feed(pulses, session, names)
    judge = Judge(config, len(names), names)
    wanted = judge.run(pulses, marks=marks)
    if lucky(wanted):
        raise Luck("a verdict or an establishment hangs on the last digits: take another seed")
    label = lambda want: want.channel if want.channel == "all" else names[want.channel]
    assert [(r["pulse"], r["channel"]) for r in session.rows] == [(str(w.pulse), str(label(w))) for w in wanted]
    faults = [
        f"pulse {want.pulse} channel {label(want)}: {fault}"
        for got, want in zip(session.rows, wanted)
        for fault in row_faults(got, want)
    ]
    table = session.exposures()
    assert len(table) == len(judge.exposures)
    for i, (got, want) in enumerate(zip(table, judge.exposures)):
        faults += [f"exposure {i + 1}: {fault}" for fault in exposure_faults(got, want)]
    faults += event_faults(session.events(), judge.exposures)
    assert not faults, f"{len(faults)} differences\n" + "\n".join(faults[:60])
    return session, wanted, judge.exposures
