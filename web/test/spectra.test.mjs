import assert from 'node:assert/strict';
import test from 'node:test';

import { decodeSpectrum, poolLargest, shownUpToHz, SpectrumRing } from '../spectra.js';

function bytesOf(n, pulse, channel, levels) {
  const buffer = new ArrayBuffer(24 + 4 * levels.length);
  const view = new DataView(buffer);
  view.setBigUint64(0, BigInt(n), true);
  view.setBigUint64(8, BigInt(pulse), true);
  view.setUint32(16, channel, true);
  view.setUint32(20, levels.length, true);
  levels.forEach((level, bin) => view.setFloat32(24 + 4 * bin, level, true));
  return buffer;
}

test('a binary message is read as it is laid out', () => {
  const read = decodeSpectrum(bytesOf(7, 122, 3, [-150.5, NaN, -90]));
  assert.equal(read.n, 7);
  assert.equal(read.pulse, 122);
  assert.equal(read.channel, 3);
  assert.deepEqual([...read.densityDb], [-150.5, NaN, -90]);
});

test('a binary message cut at any byte is refused', () => {
  const whole = bytesOf(7, 122, 0, [-150, -140, -130]);
  for (let length = 0; length < whole.byteLength; length += 1) assert.equal(decodeSpectrum(whole.slice(0, length)), null);
});

test('pooling keeps a single line and passes over what is no number', () => {
  assert.equal(poolLargest([NaN, -150, -90, NaN], 0, 4), -90);
  assert.ok(Number.isNaN(poolLargest([NaN, NaN], 0, 2)));
});

test('codes step by half a decibel and give no number the code 0', () => {
  const ring = new SpectrumRing(8);
  ring.begin(4, 5e3, 1e9);
  ring.put(0, Float32Array.from([-150, -149.5, NaN, -100]));
  const codes = ring.get(0);
  assert.equal(codes[1] - codes[0], 1);
  assert.equal(codes[2], 0);
  assert.equal(codes[3] - codes[0], 100);
});

test('the ring holds the newest and never grows', () => {
  const ring = new SpectrumRing(16);
  ring.begin(100, 5e3, 1e9);
  for (let n = 0; n < 1000; n += 1) ring.put(n, new Float32Array(100).fill(-150 + (n % 3)));
  assert.equal(ring.held, 16);
  assert.equal(ring.bytes, 1600);
  assert.equal(ring.get(983), null);
  assert.ok(ring.get(984) !== null && ring.get(999) !== null);
});

test('a spectrum of many bins takes at most 1024 columns, and only those that are drawn', () => {
  const ring = new SpectrumRing(4);
  ring.begin(200001, 100, 6.4e6);
  assert.equal(ring.columns, 1024);
  assert.equal(ring.usedBins, 64001);
  const levels = new Float32Array(200001).fill(-150);
  levels[32010] = -80;
  ring.put(0, levels);
  const loud = [...ring.get(0)].findIndex((code) => code > 61);
  assert.equal(loud, Math.floor((32010 * 1024) / 64001));
});

test('the axis ends a little over the last band of the plan', () => {
  const head = { bins: 2001, bin_hz: 5e3, drive_frequency_hz: 0.7e6, bands: { lines: [{ high_hz: 2.815e6 }], broadband_hz: [[1.1e6, 5.9e6]] } };
  assert.equal(shownUpToHz(head), 1.08 * 5.9e6);
  assert.equal(shownUpToHz({ ...head, bins: 1001 }), 5e6);
});
