import assert from 'node:assert/strict';
import test from 'node:test';

import { calibratedWords, monitorText, uncoveredText } from '../details.js';
import { signedThreeDigits, threeDigits, UNKNOWN } from '../format.js';
import { QUANTITIES } from '../present.js';

const part = (label, more = {}) => ({
  label, whole: true, range_hz: [0.335e6, 4.8e6], lines_hz: { harmonic: [1.4e6, 2.1e6, 2.8e6], ultraharmonic: [1.05e6], subharmonic: [0.35e6] },
  lines_without_hz: { harmonic: [], ultraharmonic: [], subharmonic: [] }, broadband_hz: [[1.1e6, 4.8e6]], broadband_share: 1, ...more,
});
const FACE = part('the label of the face');
const CORRECTED = part('the label of volts');
const CORRECTED_PASCAL = part('the label of both');
const headOf = (...channels) => ({ channels: channels.map((one) => one.channel), calibration: { pressure: 'at the face', channels } });
const BOTH = headOf({ channel: 3, pascal: FACE, corrected: CORRECTED, corrected_pascal: CORRECTED_PASCAL });

/** A row in which every key has a number of its own. */
const ROW = {
  channel: 3,
  harmonic_pa2: 810000, ultraharmonic_pa2: 416, subharmonic_pa2: 0.000454, broadband_pa2: 1464, fundamental_pa2: 1.14e8, broadband_pa2_per_hz: 5.81e-4,
  harmonic_excess_pa2: 676400, ultraharmonic_excess_pa2: -377, subharmonic_excess_pa2: 0.000517, broadband_excess_pa2: 995,
  harmonic_corrected_excess_v2: 6.21e-4, ultraharmonic_corrected_excess_v2: -3.29e-7, subharmonic_corrected_excess_v2: 8.76e-8, broadband_corrected_excess_v2: 2.68e-6,
  harmonic_corrected_excess_pa2: 5.44e6, ultraharmonic_corrected_excess_pa2: -3320, subharmonic_corrected_excess_pa2: 0, broadband_corrected_excess_pa2: 79970,
  harmonic_hear_pa2: 165000, ultraharmonic_hear_pa2: 3.884, subharmonic_hear_pa2: 0.0336, broadband_hear_pa2: 149.3,
};

test('a row with both curves gives pressure, excess and detection limit at the face and the corrected excess', () => {
  const words = calibratedWords(BOTH, ROW);
  assert.deepEqual(words.heads, ['quantity', 'pressure, rms', 'excess over baseline', 'this pulse hears from', 'excess, corrected for loss']);
  // The pressures are square roots of the powers above: 900² = 810000, 20.4² = 416, 0.0213² = 0.000454, 38.3² = 1467.
  assert.deepEqual(words.cells, [
    ['harmonic', '900 Pa', '+6.76e5 Pa²', '1.65e5 Pa²', '+5.44e6 Pa²'],
    ['ultraharmonic', '20.4 Pa', '−377 Pa²', '3.88 Pa²', '−3320 Pa²'],
    ['subharmonic', '0.0213 Pa', '+5.17e−4 Pa²', '0.0336 Pa²', '0 Pa²'],
    ['broadband', '38.3 Pa, 5.81e−4 Pa²/Hz', '+995 Pa²', '149 Pa²', '+80000 Pa²'],
  ]);
});

test('labels stand as the daemon words them, each with the columns it is of', () => {
  assert.deepEqual(calibratedWords(BOTH, ROW).labels, ['Pressure, excess, what this pulse hears from: the label of the face', 'Excess, corrected for loss: the label of both']);
});

test('without a sensitivity only the corrected excess stands, in volts, with its own label', () => {
  const words = calibratedWords(headOf({ channel: 3, pascal: null, corrected: CORRECTED, corrected_pascal: null }), ROW);
  assert.deepEqual(words.heads, ['quantity', 'excess, corrected for loss']);
  assert.deepEqual(words.cells, [['harmonic', '+6.21e−4 V²'], ['ultraharmonic', '−3.29e−7 V²'], ['subharmonic', '+8.76e−8 V²'], ['broadband', '+2.68e−6 V²']]);
  assert.deepEqual(words.labels, ['Excess, corrected for loss: the label of volts']);
  assert.ok(words.notes.every((note) => !note.includes('Pa')), 'nothing is said of pascals');
});

test('without an insertion loss nothing is said to be corrected', () => {
  const words = calibratedWords(headOf({ channel: 3, pascal: FACE, corrected: null, corrected_pascal: null }), ROW);
  assert.deepEqual(words.cells[1], ['ultraharmonic', '20.4 Pa', '−377 Pa²', '3.88 Pa²']);
  assert.deepEqual(words.labels, ['Pressure, excess, what this pulse hears from: the label of the face']);
  assert.doesNotMatch([...words.heads, ...words.notes].join(' '), /corrected/);
});

test('nothing stands without curves, for another channel, or for all channels together', () => {
  const none = headOf({ channel: 3, pascal: null, corrected: null, corrected_pascal: null });
  for (const head of [null, {}, { calibration: null }, { calibration: { channels: null } }, none]) assert.equal(calibratedWords(head, ROW), null);
  assert.equal(calibratedWords(BOTH, { ...ROW, channel: 0 }), null);
  assert.equal(calibratedWords(BOTH, { ...ROW, channel: 'all' }), null);
});

test('each channel is told by its own curves', () => {
  const head = headOf({ channel: 0, pascal: null, corrected: CORRECTED, corrected_pascal: null }, { channel: 3, pascal: FACE, corrected: null, corrected_pascal: null });
  assert.deepEqual(calibratedWords(head, { ...ROW, channel: 0 }).labels, ['Excess, corrected for loss: the label of volts']);
  assert.deepEqual(calibratedWords(head, ROW).labels, ['Pressure, excess, what this pulse hears from: the label of the face']);
});

test('an unknown number is a dash, never 0', () => {
  const dashes = (quantity) => [quantity, UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN];
  const nulls = Object.fromEntries(Object.keys(ROW).map((key) => [key, null]));
  for (const row of [{ channel: 3 }, { ...nulls, channel: 3 }]) assert.deepEqual(calibratedWords(BOTH, row).cells, QUANTITIES.map(dashes));
  const partly = { ...ROW, ultraharmonic_excess_pa2: null, broadband_pa2_per_hz: null, broadband_hear_pa2: null };
  const { cells } = calibratedWords(BOTH, partly);
  assert.deepEqual(cells[1], ['ultraharmonic', '20.4 Pa', UNKNOWN, '3.88 Pa²', '−3320 Pa²']);
  assert.deepEqual(cells[3], ['broadband', '38.3 Pa', '+995 Pa²', UNKNOWN, '+80000 Pa²']);
});

test('what a table does not reach is named beside its label, and only beside its own', () => {
  const short = part('the label of the face', { whole: false, lines_without_hz: { harmonic: [2.8e6], ultraharmonic: [], subharmonic: [] } });
  const words = calibratedWords(headOf({ channel: 3, pascal: short, corrected: CORRECTED, corrected_pascal: CORRECTED_PASCAL }), ROW);
  assert.deepEqual(words.labels, ['Pressure, excess, what this pulse hears from: the label of the face; not covered: harmonic line at 2.8 MHz', 'Excess, corrected for loss: the label of both']);
});

test('lines and the share of the broadband that are not covered are told apart', () => {
  assert.equal(uncoveredText(FACE), '');
  assert.equal(uncoveredText(part('', { whole: false, lines_without_hz: { harmonic: [2.1e6, 2.8e6], ultraharmonic: [2.45e6], subharmonic: [0.35e6] }, broadband_share: 0.25 })), 'harmonic lines at 2.1 and 2.8 MHz, ultraharmonic line at 2.45 MHz, subharmonic line at 0.35 MHz, 75.0 % of the broadband');
  assert.equal(uncoveredText(part('', { whole: false, broadband_share: 0.9996 })), 'less than 0.1 % of the broadband');
  assert.equal(uncoveredText(part('', { whole: false, broadband_share: 0 })), 'the broadband');
  assert.equal(uncoveredText(part('', { whole: false })), 'a part that the daemon does not name');
});

test('pressures have three digits and powers of ten only where they are short', () => {
  assert.deepEqual([0.000213, 0.0213, 20.44, 999.6, 10659, 99949, 99950, 0].map(threeDigits), ['2.13e−4', '0.0213', '20.4', '1000', '10700', '99900', '1.00e5', '0']);
  assert.deepEqual([20.44, -20.44, 1e-9, -1e-9, 0].map(signedThreeDigits), ['+20.4', '−20.4', '+1.00e−9', '−1.00e−9', '0']);
  for (const write of [threeDigits, signedThreeDigits]) for (const none of [null, undefined, NaN, Infinity]) assert.equal(write(none), UNKNOWN);
});

test('the drive at its monitor is said with what it is over its baseline', () => {
  assert.equal(monitorText({ channel: 0, drive_monitor_v: 0.1834, drive_monitor_db: -0.314 }), 'Drive monitor: 0.183 V, −0.31 dB over its baseline at this drive.');
  assert.equal(monitorText({ channel: 0, drive_monitor_v: 2, drive_monitor_db: null }), 'Drive monitor: 2.00 V.');
  assert.equal(monitorText({ channel: 0, drive_monitor_v: null, drive_monitor_db: null }), '');
  assert.equal(monitorText({ channel: 'all', drive_monitor_v: 1, drive_monitor_db: 0 }), '');
});
