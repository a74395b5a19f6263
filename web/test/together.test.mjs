import assert from 'node:assert/strict';
import test from 'node:test';

import { fineDb, UNKNOWN } from '../format.js';
import { SHAPES } from '../shapes.js';
import { askedDb, basisText, establishedNotes, establishedSince, levelCells, listenAnswer, togetherText } from '../together.js';

const head = { channels: [0], repetition_hz: 5, alpha: 2.785e-6, repeatability_db: { harmonic: 1.5, ultraharmonic: 0, subharmonic: 0, broadband: 0.1 } };
const lasting = { quantity: 'ultraharmonic', pulse: 412, channel: 0, drive_mpa: 0.12, excess_db: 0.42, within_db: 0.11 };
const notes = (channels, ...list) => establishedNotes({ channels }, { now: { established: list } }).map((one) => one.text);

test('a row names since which pulse each quantity is established', () => {
  assert.deepEqual(establishedSince('ultraharmonic since 412'), [null, 412, null, null]);
  assert.deepEqual(establishedSince('broadband since 500 on channel 3; ultraharmonic since 412 on channel all'), [null, 412, null, 500]);
  assert.deepEqual(establishedSince('harmonic since 0'), [0, null, null, null]);
});

test('what is not said or not understood is not established', () => {
  for (const words of [null, undefined, '', 'ultraharmonic', 'broadband since soon', 'subharmonics since 4', 'ultraharmonic since 412 or so', 7]) assert.equal(establishedSince(words), null, String(words));
});

test('a daemon that says nothing of many pulses leaves the line and the note empty', () => {
  for (const status of [null, {}, { now: {} }, { now: { together: null, established: [] } }, { now: { together: 5, established: 'ultraharmonic' } }]) {
    assert.equal(togetherText(status), '');
    assert.deepEqual(establishedNotes(head, status), []);
  }
  assert.equal(togetherText({ now: { together: 'Together: nothing.' } }), 'Together: nothing.');
});

test('a note names quantity, pulse, excess with its interval and drive, the channel only where there are several', () => {
  assert.deepEqual(notes([0], lasting), ['ultraharmonic since pulse 412: +0.42 ± 0.11 dB, 0.120 MPa']);
  assert.deepEqual(notes([0, 1], lasting, { ...lasting, channel: 'all' }), ['ultraharmonic since pulse 412: +0.42 ± 0.11 dB, 0.120 MPa, channel 0', 'ultraharmonic since pulse 412: +0.42 ± 0.11 dB, 0.120 MPa, channel all']);
});

test('an interval without an end and an unknown drive are said, never shown as 0', () => {
  assert.deepEqual(notes([0], { ...lasting, within_db: null, drive_mpa: null }), ['ultraharmonic since pulse 412: +0.42 ± ∞ dB, drive not known']);
  assert.deepEqual(notes([0], { ...lasting, excess_db: null }), [`ultraharmonic since pulse 412: ${UNKNOWN}, 0.120 MPa`]);
});

test('small levels carry two decimals', () => {
  assert.deepEqual([0.124, -0.056, -0.001, null].map(fineDb), ['+0.12', '−0.06', '+0.00', UNKNOWN]);
});

test('the levels of a row stand with its limits in dB and V²; the limit has its repeatability in it', () => {
  const row = { channel: 0, harmonic_detect_db: 0.2, harmonic_limit_db: 2.4, harmonic_hear_db: 3.9, harmonic_hear_v2: 4.17e-9, harmonic_hear_cumulative_db: 1.62, harmonic_hear_cumulative_v2: 1.2e-10 };
  assert.deepEqual(levelCells(head, row)[0], ['harmonic', '+0.20 dB', '+3.90 dB', '+3.90 dB, 4.17e−9 V²', '+1.62 dB, 1.20e−10 V²']);
});

test('rows of all channels carry no powers, rows of a former daemon no limits of many pulses', () => {
  assert.equal(levelCells(head, { channel: 'all', broadband_hear_db: 0.8, broadband_hear_v2: null })[3][3], '+0.80 dB');
  assert.deepEqual(levelCells(null, { channel: 0, broadband_detect_db: 0.1, broadband_limit_db: 0.6, broadband_hear_db: 0.8 })[3], ['broadband', '+0.10 dB', '+0.60 dB', `+0.80 dB, ${UNKNOWN} V²`, UNKNOWN]);
});

test('a limit says what it rests on', () => {
  const row = { basis: { harmonic: { n: 30, k: 5.631, phi: 0.31, sd_db: 0.43 }, broadband: { n: 1, k: 7, phi: 0, sd_db: 0.09 }, subharmonic: null } };
  assert.equal(basisText(head, row, 'harmonic'), 'harmonic: limit = mean + 5.63 SD + δ 1.50 dB (30 baseline pulses, SD 0.43 dB, φ 0.31, α 2.8e−6)');
  assert.equal(basisText({}, row, 'broadband'), 'broadband: limit = mean + 7.00 SD (1 baseline pulse, SD 0.09 dB, φ 0.00)');
  for (const [quantity, other] of [['subharmonic', row], ['ultraharmonic', row], ['harmonic', {}]]) assert.match(basisText(head, other, quantity), /no limit, or what it rests on is not known/);
});

test('only a number of dB above 0 is asked for', () => {
  assert.deepEqual(askedDb(' 0,1 '), { db: 0.1 });
  for (const text of ['', 'x', '0', '-1', 'Infinity', '1 2', null]) assert.ok('fault' in askedDb(text), String(text));
});

test('each answer to listening longer has its own words', () => {
  const answer = {
    pulse: 412, drive_mpa: 0.12,
    quantities: {
      broadband: { now_db: 0.33, pulses: 120, more: 80, record: null }, subharmonic: { now_db: null, pulses: null, more: null, record: 90 },
      ultraharmonic: { now_db: 0.08, pulses: 15, more: 0, record: null }, harmonic: { now_db: null, pulses: null, more: null, record: null },
    },
  };
  assert.deepEqual(listenAnswer(answer, 0.1, head, null), {
    head: 'After pulse 412, at 0.120 MPa, to hear a lasting emission from +0.10 dB on:',
    lines: ['Broadband: 80 more pulses at 0.120 MPa, about 16 s (now from +0.33 dB)', 'Subharmonic: not with this baseline: record 90 pulses at 0.120 MPa', 'Ultraharmonic: heard already (now from +0.08 dB)', 'Harmonic: not with a baseline of up to 4096 pulses'],
  });
});

test('pulses past the promise are said to be past it, and a quantity without an answer is not heard', () => {
  const answer = { pulse: 590, drive_mpa: null, quantities: { broadband: { now_db: 0.2, pulses: 600, more: 10, record: null }, harmonic: null } };
  const words = (received) => listenAnswer(answer, 0.1, {}, { exposure: { received, expected: 600 } }).lines;
  assert.equal(words(591)[0], 'Broadband: 10 more pulses at this drive; past the 600 pulses of the promise (now from +0.20 dB)');
  assert.equal(words(590)[0], 'Broadband: 10 more pulses at this drive (now from +0.20 dB)');
  assert.deepEqual(words(590).slice(1), ['Subharmonic: not judged over many pulses here', 'Ultraharmonic: not judged over many pulses here', 'Harmonic: not judged over many pulses here']);
});

test('what is established has a shape of its own', () => {
  assert.equal(new Set(Object.values(SHAPES)).size, Object.keys(SHAPES).length);
  assert.ok('ESTABLISHED' in SHAPES);
});
