import assert from 'node:assert/strict';
import test from 'node:test';

import { CIVIDIS, paletteFor } from '../cividis.js';

/** CIELAB lightness of an sRGB colour (0 to 255), white D65. */
function lightness([red, green, blue]) {
  const linear = [red, green, blue].map((part) => {
    const share = part / 255;
    return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  });
  const y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
  return y > 216 / 24389 ? 116 * Math.cbrt(y) - 16 : (24389 / 27) * y;
}

const colourAt = (step) => [...CIVIDIS.subarray(3 * step, 3 * step + 3)];

test('the table holds 256 colours from dark blue to yellow', () => {
  assert.equal(CIVIDIS.length, 768);
  // Source: Nuñez, Anderton & Renslow 2018, PLOS ONE 13(7): e0199239, the table as Matplotlib 3 carries
  // it: first (0.0, 0.135112, 0.304751), last (0.995737, 0.909344, 0.217772).
  assert.deepEqual(colourAt(0), [0.0, 0.135112, 0.304751].map((part) => Math.round(255 * part)));
  assert.deepEqual(colourAt(255), [0.995737, 0.909344, 0.217772].map((part) => Math.round(255 * part)));
});

test('lightness rises evenly over the map', () => {
  const levels = Array.from({ length: 256 }, (_, step) => lightness(colourAt(step)));
  const slope = (levels[255] - levels[0]) / 255;
  levels.forEach((level, step) => {
    // Source: Nuñez et al. 2018: the map increases linearly in perceived lightness. Two units of L* are
    // about what is just seen (common practice, no source).
    assert.ok(Math.abs(level - (levels[0] + slope * step)) < 2, `step ${step}: ${level}`);
  });
});

test('the map runs from blue to yellow', () => {
  // Source: Nuñez et al. 2018: the map runs from blue to yellow only; blue falls where yellow rises.
  const [red, green, blue] = colourAt(255);
  assert.ok(Math.abs(red - green) < 40 && blue < green);
  const [darkRed, , darkBlue] = colourAt(0);
  assert.ok(darkBlue > darkRed);
});

test('a palette takes the ground for no number and the ends outside its range', () => {
  const palette = new Uint8Array(paletteFor(50, 110, [1, 2, 3]).buffer);
  const at = (code) => [...palette.subarray(4 * code, 4 * code + 4)];
  assert.deepEqual(at(0), [1, 2, 3, 255]);
  assert.deepEqual(at(1), [...colourAt(0), 255]);
  assert.deepEqual(at(50), [...colourAt(0), 255]);
  assert.deepEqual(at(110), [...colourAt(255), 255]);
  assert.deepEqual(at(255), [...colourAt(255), 255]);
});
