import assert from 'node:assert/strict';
import test from 'node:test';

import { levels, PulseStore, unheardDb } from '../store.js';

function rowOf(pulse, more = {}) {
  return { pulse, time_s: pulse / 5, channel: 0, target: '', exposure: 1, stage: 'exposure', drive_mpa: 0.16, verdict: 'not_detected', reason: '', cumulative: '', broadband_detect_db: 0.25, broadband_limit_db: 0.5, broadband_hear_db: 0.75, ...more };
}

const message = (n, more) => ({ is: 'rows', n, rows: [rowOf(n + 1, more)] });
const kinds = (store) => store.entries.map((one) => (one.kind === 'gap' ? `${one.from}-${one.to}` : `${one.kind[0]}${one.n}`)).join(' ');

test('pulses stand in order and history that comes again changes nothing', () => {
  const store = new PulseStore();
  for (const n of [0, 1, 2]) assert.equal(store.take(message(n)), 'added');
  const { rebuilt, appended } = store;
  for (const n of [0, 1, 2]) assert.equal(store.take(message(n)), 'known');
  assert.equal(kinds(store), 'p0 p1 p2');
  assert.equal(store.appended, appended);
  assert.equal(store.rebuilt, rebuilt);
});

test('pulses that did not come stand as a gap that a reconnect fills from any side', () => {
  const store = new PulseStore();
  for (const n of [0, 1, 6]) store.take(message(n));
  assert.equal(kinds(store), 'p0 p1 2-5 p6');
  assert.equal(store.take(message(3)), 'filled');
  assert.equal(kinds(store), 'p0 p1 2-2 p3 4-5 p6');
  for (const n of [2, 5, 4]) assert.equal(store.take(message(n)), 'filled');
  assert.equal(kinds(store), 'p0 p1 p2 p3 p4 p5 p6');
  assert.equal(store.runLength, 7);
});

test('a pulse that never came has an entry of its own before the pulse that proved it', () => {
  const store = new PulseStore();
  store.take(message(0));
  const hole = rowOf(null, { reason: 'pulse missing', verdict: null, time_s: 0.5 });
  store.take({ is: 'rows', n: 1, rows: [hole, rowOf(3)] });
  assert.equal(kinds(store), 'p0 h1 p1');
  assert.equal(store.entries[1].time_s, 0.5);
});

test('memory stays bounded however many pulses come', () => {
  const store = new PulseStore(1000);
  for (let n = 0; n < 5000; n += 1) store.take(message(n));
  assert.ok(store.entries.length <= 1000 + 256);
  assert.ok(store.runLength <= store.entries.length);
  assert.equal(store.newest.n, 4999);
  assert.equal(store.entries[0].n, 5000 - store.entries.length);
});

test('many channels lower the number of pulses held so that the numbers do not grow', () => {
  const store = new PulseStore();
  store.clear(Array.from({ length: 64 }, (_, channel) => channel));
  assert.ok(store.limit * store.slots * 12 <= 20000 * 5 * 12);
  assert.ok(store.limit >= 200);
});

test('channel all stands for the receiver and every channel keeps its own numbers', () => {
  const store = new PulseStore();
  store.clear([0, 3]);
  store.take({ is: 'rows', n: 0, rows: [rowOf(1, { channel: 0, broadband_detect_db: 1.5 }), rowOf(1, { channel: 3, verdict: 'stable', broadband_detect_db: 2.5 }), rowOf(1, { channel: 'all', verdict: 'stable', broadband_detect_db: 2.0 })] });
  const entry = store.newest;
  assert.equal(entry.verdict, 'stable');
  assert.deepEqual(entry.verdicts, ['not_detected', 'stable', 'stable']);
  assert.deepEqual([0, 1, 2].map((slot) => levels(entry, slot, 3).detect), [1.5, 2.5, 2.0]);
  assert.deepEqual(levels(entry, store.mainSlot, 3), { detect: 2.0, limit: 0.5, hear: 0.75, together: NaN });
});

test('an unknown number is not a number and never 0', () => {
  const store = new PulseStore();
  store.take(message(0, { broadband_detect_db: null }));
  assert.ok(Number.isNaN(levels(store.newest, 0, 3).detect));
});

test('a new stage or exposure begins a new run', () => {
  const store = new PulseStore();
  for (let n = 0; n < 4; n += 1) store.take(message(n, { stage: 'baseline', exposure: null }));
  for (let n = 4; n < 7; n += 1) store.take(message(n));
  assert.equal(store.runLength, 3);
  assert.deepEqual(store.run(5), [4, 6]);
  assert.deepEqual(store.run(0), [0, 3]);
  for (let n = 7; n < 9; n += 1) store.take(message(n, { exposure: 2 }));
  assert.equal(store.runLength, 2);
});

test('a run goes on over a gap', () => {
  const store = new PulseStore();
  for (const n of [0, 1, 5]) store.take(message(n));
  assert.equal(store.runLength, 4);
  assert.deepEqual(store.run(3), [0, 3]);
});

test('messages that make no sense are passed over', () => {
  const store = new PulseStore();
  for (const bad of [{ n: -0.5, rows: [] }, { n: 'x', rows: [] }, { n: 1 }, { n: 2 ** 60, rows: [] }]) assert.equal(store.take(bad), 'known');
  assert.equal(store.entries.length, 0);
});

test('what all pulses so far would have heard is kept, and unknown where a daemon does not say it', () => {
  const store = new PulseStore();
  store.take(message(0, { broadband_hear_cumulative_db: 0.125 }));
  store.take(message(1));
  store.take(message(2, { broadband_hear_cumulative_db: null }));
  assert.equal(levels(store.entries[0], 0, 3).together, 0.125);
  for (const place of [1, 2]) assert.ok(Number.isNaN(levels(store.entries[place], 0, 3).together));
  assert.deepEqual(store.entries.map((entry) => unheardDb(levels(entry, 0, 3))), [0.125, 0.75, 0.75]);
});

test('many pulses that hear less than one do not widen what one has heard', () => {
  assert.equal(unheardDb({ hear: 0.75, together: 2.5 }), 0.75);
});

test('a row says since which pulse each quantity is established, and rows that say the same share it', () => {
  const store = new PulseStore();
  store.take(message(0));
  store.take(message(1, { cumulative: 'ultraharmonic since 2' }));
  store.take(message(2, { cumulative: 'ultraharmonic since 2' }));
  store.take(message(3, { cumulative: null }));
  assert.deepEqual(store.entries.map((entry) => entry.since), [null, [null, 2, null, null], [null, 2, null, null], null]);
  assert.equal(store.entries[1].since, store.entries[2].since);
});
