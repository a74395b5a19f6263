import assert from 'node:assert/strict';
import test from 'node:test';

import { axisShare, columnsFor, neighbourHeight, poolCodes, rowHeight } from '../columns.js';
import { placeOfMark, roomFor } from '../exposure_strip.js';
import { MarkBook } from '../marks.js';
import { levelRange } from '../spectrum_plot.js';

test('rows are as high as the exposure lets them be, at least 1 px', () => {
  assert.equal(rowHeight(3, 400), 22);
  assert.equal(rowHeight(28, 400), 14);
  assert.equal(rowHeight(300, 400), 1);
  assert.equal(rowHeight(100, 400), 4);
  assert.equal(rowHeight(20000, 400), 1);
  for (let count = 1; count < 400; count += 1) assert.ok(rowHeight(count, 400) * count <= 400);
});

test('row heights by hand end at both sides', () => {
  assert.equal(neighbourHeight(1, 1), 1);
  assert.equal(neighbourHeight(22, -1), 22);
  assert.equal(neighbourHeight(14, 1), 10);
});

test('columns lie side by side and end within the list', () => {
  for (const width of [600, 632, 800, 1200]) {
    for (const channels of [1, 4, 64]) {
      const places = Object.values(columnsFor(width, channels));
      for (let at = 1; at < places.length; at += 1) assert.ok(places[at].left >= places[at - 1].left + places[at - 1].width);
      assert.ok(places.at(-1).left + places.at(-1).width <= width, `${width} px, ${channels} channels`);
    }
  }
});

test('the bar axis runs from −3 to +15 dB and holds what is outside at its ends', () => {
  assert.equal(axisShare(-3), 0);
  assert.equal(axisShare(6), 0.5);
  assert.equal(axisShare(40), 1);
  assert.equal(axisShare(-40), 0);
});

test('pooled codes keep every loud column, also when stretched', () => {
  assert.deepEqual([...poolCodes(Uint8Array.from([1, 9, 2, 3]), new Uint8Array(2))], [9, 3]);
  assert.deepEqual([...poolCodes(Uint8Array.from([1, 9]), new Uint8Array(4))], [1, 1, 9, 9]);
});

test('the strip has room for the expected pulses and grows when they are passed', () => {
  assert.equal(roomFor(12, 600), 600);
  assert.equal(roomFor(601, 600), 900);
  assert.ok(roomFor(20000, null) >= 20000);
});

test('a mark is drawn at the first pulse it holds for, and only in its own stretch', () => {
  const entries = [3, 4, 5, 6].map((pulse) => ({ kind: 'pulse', pulse, time_s: pulse / 5 }));
  assert.equal(placeOfMark({ pulse: 5 }, entries, 0, 3), 2);
  assert.equal(placeOfMark({ pulse: 3 }, entries, 0, 3), 0);
  assert.equal(placeOfMark({ pulse: 1 }, entries, 0, 3), null);
  assert.equal(placeOfMark({ pulse: 9 }, entries, 0, 3), null);
  assert.equal(placeOfMark({ pulse: null, time_s: 1.1 }, entries, 0, 3), 3);
});

test('a mark that was taken back is gone and events count once', () => {
  const book = new MarkBook();
  const injection = { n: 0, event: 'mark', mark: 'injection', number: 1, id: 3, pulse: 4 };
  book.take(injection);
  book.take(injection);
  assert.deepEqual(book.list.map((one) => one.label), ['injection 1']);
  book.take({ n: 1, event: 'mark', mark: 'void', void: 3, id: 4 });
  assert.equal(book.list.length, 0);
});

test('marks stay bounded', () => {
  const book = new MarkBook();
  for (let n = 0; n < 3000; n += 1) book.take({ n, event: 'mark', mark: 'note', text: 'x'.repeat(5000), id: n, pulse: n });
  assert.ok(book.list.length <= 500);
  assert.ok(book.list.every((one) => one.label.length <= 60));
});

test('the level axis covers floor and lines in whole tens and passes over what is no number', () => {
  assert.deepEqual(levelRange([[NaN, -152.3, -88.1, null]], 4), [-160, -80]);
  assert.equal(levelRange([[NaN, null]], 2), null);
});
