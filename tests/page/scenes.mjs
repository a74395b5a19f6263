// The states the page is shown in, each played into a mock daemon. Times are device time from the
// first pulse, five pulses a second.

import { curves } from './bench.mjs';
import { ADVICE, ALARMS, pulsesOf } from './tuning_bench.mjs';

const RAMP_MPA = [0.06, 0.09, 0.12, 0.16, 0.22, 0.3];
const DOSE = { harmonic: 3.42e-9, ultraharmonic: 1.07e-10, subharmonic: 8.3e-11, broadband: 0 };

const REPEATABILITY_DB = { harmonic: 1.5, ultraharmonic: 0, subharmonic: 0, broadband: 0.1 };

/** An answer with every kind of line: more pulses, heard already, another baseline, none that would do. */
const LISTENS = {
  pulse: 20, drive_mpa: 0.12,
  quantities: {
    broadband: { now_db: 0.33, pulses: 100, more: 80, record: null },
    subharmonic: { now_db: 0.61, pulses: null, more: null, record: 90 },
    ultraharmonic: { now_db: 0.08, pulses: 15, more: 0, record: null },
    harmonic: { now_db: null, pulses: null, more: null, record: null },
  },
};

function up(daemon, stageFrom = 'operator') {
  daemon.status.stream = { state: 'up', name: '127.0.0.1:50312', device: 'bench digitiser', stage_from: stageFrom };
  daemon.status.account = { received: 1.2e8, lost: 0, frames_lost: 0, crc: 0, late: 0, duplicates: 0, unfinished: 0 };
}

function baselineDone(daemon, target = '') {
  daemon.status.baseline = RAMP_MPA.map((drive_mpa) => ({ target, drive_mpa, pulses: 30, wanted: 30, needed: 10, in_use: true }));
}

function now(daemon, word, sentence, notHearing = []) {
  daemon.status.now = { word, sentence, hearing: word !== 'NOT HEARING', not_hearing: notHearing, together: null, established: [] };
}

function exposure(daemon, count, how = () => ({})) {
  up(daemon);
  baselineDone(daemon);
  daemon.status.exposure = { number: 1, received: 0, expected: daemon.head.expected_pulses, missing: 0 };
  for (let k = 0; k < count; k += 1) {
    daemon.pulse({ stage: 'exposure', ...how(k, count) });
    daemon.status.exposure.received += 1;
  }
  daemon.status.excess_dose_v2s = DOSE;
  daemon.status.injection = { number: 1, since_s: 12.3, agent: 'lipid-shelled', volume_ul: 50 };
  daemon.status.margin = { alarm: 'inertial', quantity: 'broadband', channel: 0, db: -1.2 };
  daemon.status.go_ahead = { go_on: true, why: [] };
}

/** A ramp with the verdicts that belong to it. */
function ramp(k, count) {
  const step = Math.min(5, Math.floor((6 * k) / count));
  return { drive_mpa: RAMP_MPA[step], verdict: step < 3 ? 'not_detected' : step < 5 ? 'stable' : 'inertial', reason: step === 5 ? 'broadband pulse +7.3 dB' : step >= 3 ? 'ultraharmonic 2 of 3 +4.0 dB' : '' };
}

function mark(daemon, pulse, what) {
  daemon.event({ event: 'mark', id: daemon.nextMark, pulse, time_s: pulse / 5, target: '', by: 'page', backdated_s: 0, text: '', ...what });
  daemon.nextMark += 1;
}

export const SCENES = {
  waiting() {},

  baseline(daemon) {
    up(daemon);
    for (let k = 0; k < 10; k += 1) daemon.pulse({ stage: 'noise', drive_mpa: 0 });
    for (let k = 0; k < 83; k += 1) daemon.pulse({ stage: 'baseline', drive_mpa: RAMP_MPA[Math.floor(k / 30)] });
    daemon.status.baseline = [30, 30, 23].map((pulses, place) => ({ target: '', drive_mpa: RAMP_MPA[place], pulses, wanted: 30, needed: 10, in_use: false }));
    now(daemon, 'NO VERDICT', 'Recording the baseline: 0.120 MPa, 23 of 30.');
    daemon.status.go_ahead = { go_on: false, why: ['stage baseline'] };
  },

  not_detected(daemon) {
    exposure(daemon, 12, () => ({ drive_mpa: 0.12 }));
    mark(daemon, 4, { mark: 'injection', number: 1, agent: 'lipid-shelled', volume_ul: 50 });
    now(daemon, 'NOT DETECTED', 'Not detected. Broadband would show from +0.8 dB.');
  },

  stable(daemon) {
    exposure(daemon, 48, (k) => ({ drive_mpa: k < 20 ? 0.12 : 0.16, verdict: k < 22 ? 'not_detected' : 'stable', reason: k < 22 ? '' : 'ultraharmonic 2 of 3 +4.0 dB' }));
    mark(daemon, 8, { mark: 'injection', number: 1 });
    now(daemon, 'STABLE', 'Stable: ultraharmonic 4.0 dB over its limit.');
    daemon.status.margin.db = -0.4;
  },

  inertial(daemon) {
    exposure(daemon, 90, ramp);
    mark(daemon, 6, { mark: 'injection', number: 1 });
    mark(daemon, 50, { mark: 'note', text: 'flow raised' });
    now(daemon, 'INERTIAL', 'Inertial: broadband 7.3 dB over its limit.');
    daemon.status.margin.db = 7.3;
    daemon.status.excess_dose_v2s = { ...DOSE, broadband: 2.61e-8 };
    daemon.raise({ name: 'drive above baseline', severity: 'warning', cause: 'drive 0.300 MPa is above the highest baseline of 0.220 MPa' });
    daemon.raise({ name: 'inertial', severity: 'stop', cause: 'broadband over the limit of the budget by 7.3 dB' });
    daemon.status.go_ahead = { go_on: false, why: ['stop alarm inertial is not acknowledged'] };
  },

  not_hearing(daemon) {
    exposure(daemon, 60, (k) => (k < 40 ? { drive_mpa: 0.16 } : { drive_mpa: 0.16, verdict: 'indeterminate', reason: 'fundamental low' }));
    now(daemon, 'NOT HEARING', 'Not hearing: the fundamental is 20.1 dB under its baseline. Silence says nothing now.', [{ channel: 0, why: 'fundamental low' }]);
    daemon.raise({ name: 'not hearing', severity: 'warning', cause: 'fundamental 20.1 dB under its baseline', latch: false });
    daemon.status.margin = null;
    daemon.status.go_ahead = { go_on: false, why: ['not hearing', 'alarm not hearing is on'] };
  },

  stale(daemon) {
    SCENES.stable(daemon);
  },

  replay(daemon) {
    SCENES.inertial(daemon);
    daemon.head.live = false;
    daemon.head.source = 'a recording of the simulated bench';
    daemon.status.live = false;
  },

  four_channels(daemon) {
    daemon.head.channels = [0, 1, 2, 3];
    const deaf = 'indeterminate';
    exposure(daemon, 30, (k) => ({
      target: 'left, deep', drive_mpa: 0.16, verdict: k < 18 ? 'not_detected' : 'stable', reason: k < 18 ? '' : 'ultraharmonic 2 of 3 +4.0 dB (channel 1)',
      channelVerdicts: ['not_detected', k < 18 ? 'not_detected' : 'stable', deaf, 'not_detected'],
    }));
    daemon.status.target = 'left, deep';
    daemon.status.stream.stage_from = 'sender';
    daemon.status.margin.channel = 'all';
    now(daemon, 'STABLE', 'Stable: ultraharmonic 4.0 dB over its limit on channel 1.', [{ channel: 2, why: 'fundamental low' }]);
  },

  together(daemon) {
    daemon.head.repeatability_db = REPEATABILITY_DB;
    exposure(daemon, 20, () => ({ drive_mpa: 0.12 }));
    now(daemon, 'NOT DETECTED', 'Not detected. Broadband would show from +0.8 dB.');
    daemon.status.now.together = 'Together over 20 pulses: nothing. Lasting broadband would show from +0.33 dB; not below 0.1 dB with this baseline: record 90 pulses at 0.12 MPa.';
    daemon.listens = LISTENS;
  },

  established(daemon) {
    daemon.head.repeatability_db = REPEATABILITY_DB;
    exposure(daemon, 480, (k) => ({ drive_mpa: 0.12, lift_db: k >= 60 ? { ultraharmonic: 0.42 } : {}, cumulative: k + 1 >= 412 ? 'ultraharmonic since 412' : '' }));
    mark(daemon, 60, { mark: 'injection', number: 1, agent: 'lipid-shelled', volume_ul: 50 });
    daemon.event({ event: 'established', pulse: 412, quantity: 'ultraharmonic', channel: 0, drive_mpa: 0.12, excess_db: 0.4, within_db: 0.14 });
    now(daemon, 'NOT DETECTED', 'Not detected. Broadband would show from +0.8 dB.');
    daemon.status.now.together = 'Together: ultraharmonic since pulse 412, +0.42 ± 0.11 dB at 0.12 MPa.';
    daemon.status.now.established = [{ quantity: 'ultraharmonic', pulse: 412, channel: 0, drive_mpa: 0.12, excess_db: 0.42, within_db: 0.11 }];
    daemon.listens = { ...LISTENS, pulse: 480 };
  },

  /** A receiver whose tables cover a part of the bands. */
  calibrated(daemon) {
    daemon.head.calibration = { pressure: 'plane-wave equivalent at the receiver\'s face', channels: [curves(0, { sensitivity: true, loss: true, whole: false })] };
    SCENES.stable(daemon);
  },

  /** One receiver with both tables, one with the loss alone, one with none, one with the sensitivity alone. */
  calibrated_four(daemon) {
    const given = [{ sensitivity: true, loss: true }, { loss: true }, {}, { sensitivity: true }];
    daemon.head.calibration = { pressure: 'plane-wave equivalent at the receiver\'s face', channels: given.map((tables, channel) => curves(channel, tables)) };
    SCENES.four_channels(daemon);
  },

  established_four(daemon) {
    SCENES.four_channels(daemon);
    daemon.head.repeatability_db = REPEATABILITY_DB;
    for (const message of daemon.history) {
      for (const row of message.rows) {
        const parts = row.pulse >= 12 ? ['ultraharmonic since 12 on channel 1'] : [];
        if (row.pulse >= 24) parts.unshift('broadband since 24 on channel 3');
        row.cumulative = parts.join('; ');
      }
    }
    daemon.status.now.together = 'Together: ultraharmonic since pulse 12, +5.21 ± 0.38 dB at 0.16 MPa; broadband since pulse 24, +0.31 dB at 0.16 MPa.';
    daemon.status.now.established = [
      { quantity: 'ultraharmonic', pulse: 12, channel: 1, drive_mpa: 0.16, excess_db: 5.21, within_db: 0.38 },
      { quantity: 'broadband', pulse: 24, channel: 3, drive_mpa: 0.16, excess_db: 0.31, within_db: null },
    ];
    daemon.listens = LISTENS;
  },

  pulses_300(daemon) {
    exposure(daemon, 300, ramp);
    mark(daemon, 20, { mark: 'injection', number: 1 });
    mark(daemon, 160, { mark: 'injection', number: 2 });
    now(daemon, 'INERTIAL', 'Inertial: broadband 7.3 dB over its limit.');
    daemon.status.margin.db = 7.3;
  },

  pulses_2000(daemon) {
    daemon.head.expected_pulses = 1800;
    exposure(daemon, 2000, (k, count) => ({ ...ramp(k, count), hole: k % 400 === 399, skip: false }));
    daemon.status.exposure.missing = 5;
    mark(daemon, 200, { mark: 'injection', number: 1 });
    now(daemon, 'INERTIAL', 'Inertial: broadband 7.3 dB over its limit.');
    daemon.status.margin.db = 7.3;
  },

  tuning(daemon) {
    exposure(daemon, 90, ramp);
    mark(daemon, 6, { mark: 'injection', number: 1 });
    now(daemon, 'NOT DETECTED', 'Not detected. Broadband would show from +0.8 dB.');
    daemon.head.alarms.push({ name: 'stable', severity: 'warning', watches: 'ultraharmonic over the limit of the budget', latch: false });
    daemon.limits.alarms = ALARMS.map((one) => ({ ...one }));
    daemon.recorded = new Map([
      ['now', { label: 'this session', pulses: pulsesOf(), channels: [0], advice: ADVICE }],
      ['2024-03-12-b', { label: '2024-03-12-b', pulses: pulsesOf({ seed: 9, quietEach: 10, bubblesEach: 12 }), channels: [0, 1, 'all'], advice: [] }],
      ['2024-03-12-a', { label: '2024-03-12-a', missing: 'session 2024-03-12-a has no bubbles pulses: record pulses of stage exposure after an injection, at three drives or more' }],
    ]);
  },

  /** As little room as there is: a replay, something established, more drives and advice, other channels. */
  tuning_worst(daemon) {
    SCENES.tuning(daemon);
    daemon.head.live = false;
    daemon.status.live = false;
    daemon.status.now.together = 'Together: ultraharmonic since pulse 412, +0.42 ± 0.11 dB at 0.12 MPa.';
    daemon.status.now.established = [{ quantity: 'ultraharmonic', pulse: 412, channel: 0, drive_mpa: 0.12, excess_db: 0.42, within_db: 0.11 }];
    daemon.raise({ name: 'inertial', severity: 'stop', cause: 'broadband over the limit of the budget by 7.3 dB' });
    const drives = [0.05, 0.06, 0.075, 0.09, 0.1, 0.12, 0.14, 0.16, 0.19, 0.22, 0.26, 0.3];
    daemon.recorded.set('now', { label: 'this session', pulses: pulsesOf({ drives }), channels: [0, 1, 2, 3, 'all'], advice: [...ADVICE, ...ADVICE] });
    daemon.limits.before = [{ name: 'loud', quantity: 'broadband', limit: { db: 5 }, off_db: 4, m_of_n: '2 of 3' }];
  },

  running(daemon) {
    exposure(daemon, 30, () => ({ drive_mpa: 0.12 }));
    now(daemon, 'NOT DETECTED', 'Not detected. Broadband would show from +0.8 dB.');
    daemon.every(200, () => {
      daemon.pulse({ drive_mpa: 0.12 });
      daemon.status.exposure.received += 1;
      daemon.status.injection.since_s += 0.2;
    });
  },
};
