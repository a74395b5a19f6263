import assert from 'node:assert/strict';
import test from 'node:test';

import { loops, samplesOf } from '../tones.js';

const RATE_HZ = 48000;

/** Rising zero crossings a second between two times: the pitch, Hz. */
function pitchHz(samples, fromS, toS) {
  let crossings = 0;
  for (let place = Math.round(fromS * RATE_HZ) + 1; place < Math.round(toS * RATE_HZ); place += 1) {
    if (samples[place - 1] < 0 && samples[place] >= 0) crossings += 1;
  }
  return crossings / (toS - fromS);
}

/** Stretches of sound of at least 50 ms. */
function beeps(samples) {
  let count = 0;
  let quiet = Infinity;
  for (const sample of samples) {
    if (Math.abs(sample) > 0.02) {
      if (quiet > 0.05 * RATE_HZ) count += 1;
      quiet = 0;
    } else quiet += 1;
  }
  return count;
}

test('the fall really falls', () => {
  const samples = samplesOf('falling', RATE_HZ);
  const pitches = [0.05, 0.25, 0.45, 0.65].map((from) => pitchHz(samples, from, from + 0.2));
  for (let place = 1; place < pitches.length; place += 1) assert.ok(pitches[place] < pitches[place - 1] - 40, String(pitches));
});

test('a warning is two beeps and does not go on', () => {
  assert.equal(beeps(samplesOf('warning', RATE_HZ)), 2);
  assert.equal(loops('warning'), false);
});

test('a stop alarm goes on with two pitches in turn', () => {
  const samples = samplesOf('stop', RATE_HZ);
  assert.ok(Math.abs(pitchHz(samples, 0.02, 0.22) - 880) < 15);
  assert.ok(Math.abs(pitchHz(samples, 0.27, 0.47) - 660) < 15);
  assert.equal(loops('stop'), true);
  assert.equal(loops('falling'), true);
});

test('no sound clips and every loop begins and ends in silence', () => {
  for (const kind of ['stop', 'warning', 'falling']) {
    const samples = samplesOf(kind, RATE_HZ);
    assert.ok(samples.every((sample) => Math.abs(sample) <= 1), kind);
    assert.ok(Math.abs(samples[0]) < 0.02 && Math.abs(samples.at(-1)) < 0.02, kind);
  }
});
