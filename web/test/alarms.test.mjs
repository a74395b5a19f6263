import assert from 'node:assert/strict';
import test from 'node:test';

import { AlarmBook, soundWanted } from '../alarms.js';

const alarm = (id, severity, more = {}) => ({ id, name: `alarm ${id}`, severity, cause: 'cause', channel: 0, pulse: 10, time_s: 2, on: true, acknowledged: false, latch: true, ...more });

test('the banner leads with the stop alarm and says what came first', () => {
  const book = new AlarmBook();
  book.fromStatus([alarm(1, 'warning'), alarm(2, 'stop'), alarm(3, 'warning')]);
  const banner = book.banner();
  assert.equal(banner.kind, 'stop');
  assert.equal(banner.word, 'STOP: alarm 2');
  assert.equal(banner.more, 'came first: alarm 1 at 2.0 s; then: alarm 3');
});

test('among stop alarms the one raised first leads', () => {
  const book = new AlarmBook();
  book.fromStatus([alarm(4, 'stop'), alarm(5, 'stop')]);
  assert.equal(book.banner().id, 4);
  assert.match(book.banner().more, /^came first/);
});

test('a stop alarm sounds until it is acknowledged, also when it is over', () => {
  const book = new AlarmBook();
  book.fromStatus([alarm(1, 'stop', { on: false })]);
  assert.equal(soundWanted({ stale: false, status: null, stopIsOpen: book.stopIsOpen }), 'stop');
  book.acknowledgedHere(1);
  assert.equal(soundWanted({ stale: false, status: null, stopIsOpen: book.stopIsOpen }), 'quiet');
  assert.equal(book.banner().kind, 'seen');
});

test('a warning beeps once for each raise, not on every beat and not for those found on loading', () => {
  const book = new AlarmBook();
  assert.equal(book.fromStatus([alarm(1, 'warning')]).length, 0);
  assert.deepEqual(book.fromStatus([alarm(1, 'warning'), alarm(2, 'warning')]).map((one) => one.id), [2]);
  assert.equal(book.fromStatus([alarm(1, 'warning'), alarm(2, 'warning')]).length, 0);
  assert.equal(book.fromEvent({ n: 0, event: 'alarm raised', ...alarm(3, 'warning') }).id, 3);
  assert.equal(book.fromStatus([alarm(3, 'warning')]).length, 0);
});

test('an event acts before the next beat and counts once', () => {
  const book = new AlarmBook();
  book.fromStatus([]);
  book.fromEvent({ n: 7, event: 'alarm raised', ...alarm(2, 'stop') });
  assert.equal(book.stopIsOpen, true);
  book.fromEvent({ n: 8, event: 'alarm acknowledged', id: 2, name: 'x' });
  assert.equal(book.stopIsOpen, false);
  book.fromEvent({ n: 7, event: 'alarm raised', ...alarm(9, 'stop') });
  assert.equal(book.stopIsOpen, false);
});

test('an alarm for other sinks only is not shown', () => {
  const book = new AlarmBook();
  book.fromStatus([]);
  book.fromEvent({ n: 0, event: 'alarm raised', ...alarm(1, 'stop'), sinks: ['events'] });
  assert.equal(book.stopIsOpen, false);
  book.fromEvent({ n: 1, event: 'alarm raised', ...alarm(2, 'stop'), sinks: ['page', 'events'] });
  assert.equal(book.stopIsOpen, true);
});

test('events of the history raise nothing before the first status', () => {
  const book = new AlarmBook();
  book.fromEvent({ n: 0, event: 'alarm raised', ...alarm(1, 'stop') });
  assert.equal(book.stopIsOpen, false);
});

test('stale and not hearing fall, a stop alarm comes before both, a pause is silent', () => {
  const deaf = { now: { word: 'NOT HEARING', hearing: false }, stage: 'exposure', paused: false };
  assert.equal(soundWanted({ stale: true, status: null, stopIsOpen: false }), 'falling');
  assert.equal(soundWanted({ stale: false, status: deaf, stopIsOpen: false }), 'falling');
  assert.equal(soundWanted({ stale: true, status: deaf, stopIsOpen: true }), 'stop');
  assert.equal(soundWanted({ stale: false, status: { ...deaf, paused: true }, stopIsOpen: false }), 'quiet');
  assert.equal(soundWanted({ stale: false, status: { now: { word: 'INERTIAL', hearing: true }, stage: 'exposure' }, stopIsOpen: false }), 'quiet');
});
