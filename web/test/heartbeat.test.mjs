import assert from 'node:assert/strict';
import test from 'node:test';

import { backOffS, Heartbeat } from '../heartbeat.js';

test('beats without pulses are no reason to call the page stale', () => {
  const heart = new Heartbeat();
  heart.opened(0);
  for (let time = 0; time <= 600; time += 0.25) {
    heart.beat(time);
    assert.equal(heart.judge(time + 0.2).stale, false);
  }
});

test('a beat that is one second late makes the page stale, and the next one ends it', () => {
  const heart = new Heartbeat();
  heart.opened(0);
  heart.beat(10);
  assert.equal(heart.judge(11.24).stale, false);
  assert.equal(heart.judge(11.26).stale, true);
  heart.message(11.3);
  assert.equal(heart.judge(11.31).stale, true, 'rows without beats are not a heartbeat');
  heart.beat(11.4);
  assert.equal(heart.judge(11.5).stale, false);
});

test('a lost connection is stale at once, and stays so until the first beat of the next', () => {
  const heart = new Heartbeat();
  heart.opened(0);
  heart.beat(1);
  heart.closed();
  assert.deepEqual(heart.judge(1.1), { stale: true, why: 'connection lost, trying again', ageS: 1.1 - 1 });
  heart.opened(2);
  assert.equal(heart.judge(2.1).stale, true);
  heart.beat(2.2);
  assert.equal(heart.judge(2.3).stale, false);
});

test('history that takes longer than a beat is no silence', () => {
  const heart = new Heartbeat();
  heart.opened(0);
  for (let time = 0; time < 5; time += 0.1) {
    heart.message(time);
    assert.equal(heart.judge(time + 0.05).stale, false);
  }
  assert.equal(heart.judge(7).stale, true);
});

test('an open connection without a word for ten seconds is given up', () => {
  const heart = new Heartbeat();
  assert.equal(heart.isDead(100), false, 'there is none to give up');
  heart.opened(0);
  heart.beat(1);
  assert.equal(heart.isDead(10.9), false);
  assert.equal(heart.isDead(11.1), true);
  heart.message(11.1);
  assert.equal(heart.isDead(11.2), false);
  heart.closed();
  assert.equal(heart.isDead(60), false);
});

test('before anything came nothing on the page can be old', () => {
  assert.equal(new Heartbeat().judge(100).stale, false);
});

test('a daemon that said goodbye is named as stopped', () => {
  const heart = new Heartbeat();
  heart.opened(0);
  heart.beat(0);
  heart.bye();
  heart.closed();
  assert.match(heart.judge(1).why, /stopped/);
});

test('attempts to connect come less often, at least every five seconds', () => {
  assert.deepEqual([0, 1, 2, 3, 4, 5, 50].map(backOffS), [0.25, 0.5, 1, 2, 4, 5, 5]);
});
