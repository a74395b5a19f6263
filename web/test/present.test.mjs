import assert from 'node:assert/strict';
import test from 'node:test';

import { levelDb, scientific, span, driveText, UNKNOWN } from '../format.js';
import { baselineProgress, goAhead, hearingText, injectionText, linkText, marginText, present, pulseText, wordOf } from '../present.js';

const up = { state: 'up', text: '' };

test('numbers carry their sign and an unknown number is a dash', () => {
  assert.equal(levelDb(1.24), '+1.2');
  assert.equal(levelDb(-3.06), '−3.1');
  assert.equal(levelDb(-0.01), '+0.0');
  for (const write of [levelDb, span, scientific, driveText]) for (const none of [null, undefined, NaN, Infinity]) assert.equal(write(none), UNKNOWN);
  assert.equal(scientific(1.234e-9), '1.23e−9');
  assert.equal(scientific(0), '0');
  assert.equal(span(12.34), '12.3 s');
  assert.equal(span(125), '2 min 05 s');
  assert.equal(span(3725), '1 h 02 min');
  assert.equal(driveText(0.16), '0.160 MPa');
  assert.equal(driveText(null, 12), 'setting 12');
});

test('hearing says yes or no and which channel', () => {
  const one = { channels: [0], sign_of_life: 'fundamental' };
  const four = { channels: [0, 1, 2, 3], sign_of_life: 'noise' };
  const deaf = (channel) => ({ channel, why: 'fundamental low' });
  assert.equal(hearingText(one, { now: { hearing: true, not_hearing: [] } }).value, 'YES');
  assert.deepEqual(hearingText(one, { now: { hearing: false, not_hearing: [deaf(0)] } }), { label: 'hearing, by the fundamental', value: 'NO', why: 'channel 0: fundamental low' });
  assert.equal(hearingText(four, { now: { hearing: false, not_hearing: [deaf(1), deaf(3)] } }).value, 'NO: 1 3');
  assert.equal(hearingText(four, { now: { hearing: true, not_hearing: [deaf(2)] } }).value, 'YES 3 of 4');
  assert.equal(hearingText(one, { now: { hearing: null, not_hearing: [] } }).value, UNKNOWN);
  assert.equal(hearingText(null, null).value, UNKNOWN);
});

test('the margin says below or over, never a bare sign', () => {
  const below = { db: -1.2, quantity: 'broadband', channel: 0, alarm: 'inertial' };
  assert.equal(marginText({ now: { hearing: true }, margin: below }).value, '1.2 dB below');
  for (const hearing of [false, null]) assert.equal(marginText({ now: { hearing }, margin: below }).value, UNKNOWN, 'silence is no margin');
  const over = marginText({ now: { hearing: false }, margin: { db: 7.6, quantity: 'broadband', channel: 0, alarm: 'inertial' } });
  assert.deepEqual([over.value, over.over], ['7.6 dB OVER', true]);
  assert.equal(marginText({ margin: null }).value, UNKNOWN);
});

test('go on is said only while all is well, the link is fresh and this is no replay', () => {
  const well = { live: true, go_ahead: { go_on: true, why: [] } };
  assert.equal(goAhead({ live: true }, well, false).word, 'go on');
  assert.equal(goAhead({ live: true }, well, true).word, 'hold');
  assert.equal(goAhead({ live: false }, well, false).word, 'hold');
  assert.equal(goAhead({ live: true }, { live: true, go_ahead: { go_on: false, why: ['x'] } }, false).word, 'hold');
  assert.equal(goAhead({ live: true }, { live: true, go_ahead: { go_on: 'yes', why: [] } }, false).word, 'hold');
  assert.equal(goAhead(null, null, false).word, 'hold');
  for (const line of [goAhead({ live: true }, well, false), goAhead(null, null, false)]) assert.match(line.why, /not an interlock/);
});

test('a word the daemon does not define is no verdict', () => {
  assert.equal(wordOf({ now: { word: 'FINE' } }), 'NO VERDICT');
  assert.equal(wordOf(null), 'WAITING');
  assert.equal(wordOf({ now: { word: 'INERTIAL' } }), 'INERTIAL');
});

test('baseline progress counts, then says ready, with the drive that is being recorded first', () => {
  const drive = (drive_mpa, pulses, in_use = false) => ({ target: 'left', drive_mpa, pulses, wanted: 30, needed: 10, in_use });
  const status = { target: 'left', last: { drive_mpa: 0.121 }, baseline: [drive(0.06, 30), drive(0.09, 7), drive(0.12, 23), drive(0.16, 30, true)] };
  const chips = baselineProgress(status);
  assert.deepEqual(chips.map((one) => one.text), ['left 0.120 MPa 23 of 30, usable', 'left 0.090 MPa 7 of 30', 'left 0.060 MPa ready', 'left 0.160 MPa 30, in use']);
  assert.deepEqual(chips.map((one) => one.current), [true, false, false, false]);
});

test('pulse k of N names what is missing', () => {
  assert.deepEqual(pulseText({}, { exposure: { number: 2, received: 12, expected: 600, missing: 3 } }), { label: 'pulse, exposure 2, 3 missing', value: '12 of 600' });
  assert.equal(pulseText({}, { exposure: null, last_pulse: 93 }).value, '93');
});

test('an injection that no pulse has followed yet is named', () => {
  assert.equal(injectionText({ injection: null, pending: [{ id: 3, mark: 'injection' }] }).label, 'since injection, one waits for a pulse');
  assert.deepEqual(injectionText({ injection: { number: 1, since_s: 12.3, agent: 'lipid', volume_ul: 50 }, pending: [] }), { label: 'since injection 1, 50 µL, lipid', value: '12.3 s' });
});

test('a page without head and status says nothing that could be taken for silence', () => {
  const view = present(null, null, up, false);
  assert.equal(view.word, 'WAITING');
  assert.equal(view.go.go, false);
  assert.equal(view.hearing.value, UNKNOWN);
  assert.deepEqual(view.doses, [UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN]);
});

test('pulses beyond the expected number are said to be outside the promise', () => {
  const view = present({ live: true }, { exposure: { number: 1, received: 601, expected: 600, missing: 0 } }, up, false);
  assert.match(view.link, /pulses past 600 are outside the promise/);
});

test('whatever waits for a pulse is named, and what has no name is passed over', () => {
  const status = { pending: [null, { id: 4, mark: 'pause' }, { id: null, stage: 'baseline' }, { id: null, limits: ['inertial', 'loud'] }, { id: 3, mark: 'injection' }], folder: { path: 'out/s' } };
  assert.equal(linkText({}, status, { state: 'up' }), 'for the next pulse: pause, stage baseline, limits of inertial and loud');
});
