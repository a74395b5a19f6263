import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import test from 'node:test';

const STYLE = readFileSync(new URL('../style.css', import.meta.url), 'utf8');
const COLOURS = new Map([...STYLE.matchAll(/--([a-z-]+):\s*(#[0-9a-f]{6});/g)].map(([, name, hex]) => [name, hex]));

// Source: W3C, Web Content Accessibility Guidelines 2.2, definitions of relative luminance and
// contrast ratio.
function luminance(hex) {
  const [red, green, blue] = [1, 3, 5].map((place) => {
    const share = Number.parseInt(hex.slice(place, place + 2), 16) / 255;
    return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
}

function contrast(one, other) {
  const [dark, light] = [luminance(one), luminance(other)].sort((a, b) => a - b);
  return (light + 0.05) / (dark + 0.05);
}

function colour(name) {
  const hex = name.startsWith('#') ? name : COLOURS.get(name);
  assert.ok(hex, `the stylesheet names no colour ${name}`);
  return hex;
}

test('the contrast formula gives the ratios of the guideline', () => {
  // Source: WCAG 2.2, contrast ratio: black on white is 21:1, a colour on itself 1:1.
  assert.equal(contrast('#000000', '#ffffff'), 21);
  assert.equal(contrast('#777777', '#777777'), 1);
  // Source: W3C, Understanding SC 1.4.3: #767676 on white is the lightest grey that reaches 4.5:1.
  assert.ok(contrast('#767676', '#ffffff') >= 4.5 && contrast('#777777', '#ffffff') < 4.5);
});

test('text reaches a contrast of 4.5 on every ground it stands on', () => {
  const pairs = [
    ['ink', 'ground'], ['ink', 'panel'], ['ink', 'raised'], ['ink', 'edge'], ['ink', '#253352'], ['dim', 'ground'], ['dim', 'panel'], ['dim', 'raised'],
    ['quiet', 'panel'], ['quiet', 'ground'], ['ground', 'quiet'], ['stable', 'ground'], ['stable', 'panel'], ['stable', 'raised'], ['ground', 'stable'],
    ['on-inertial', 'inertial'], ['ground', 'inertial'], ['on-deaf', 'deaf'], ['on-deaf', '#1d2230'], ['on-stale', 'stale'], ['lasting', 'ground'], ['#ffffff', '#4a3a63'], ['#ffffff', '#2b2140'],
  ];
  for (const [text, under] of pairs) {
    const ratio = contrast(colour(text), colour(under));
    // Source: WCAG 2.2, SC 1.4.3 Contrast (Minimum), level AA.
    assert.ok(ratio >= 4.5, `${text} on ${under}: ${ratio.toFixed(2)}`);
  }
});

test('the mark of the focus stands out from what is around it', () => {
  for (const under of ['ground', 'panel', 'raised']) {
    // Source: WCAG 2.2, SC 1.4.11 Non-text Contrast, level AA: at least 3:1.
    assert.ok(contrast(colour('focus'), colour(under)) >= 3);
  }
});

test('the mark of what is established stands out from the columns it lies in', () => {
  for (const under of ['ground', 'panel']) {
    // Source: WCAG 2.2, SC 1.4.11 Non-text Contrast, level AA: at least 3:1.
    assert.ok(contrast(colour('lasting'), colour(under)) >= 3);
  }
});

test('neither a verdict nor what is established is painted green', () => {
  for (const name of ['quiet', 'stable', 'inertial', 'deaf', 'stale', 'lasting']) {
    const [red, green, blue] = [1, 3, 5].map((place) => Number.parseInt(colour(name).slice(place, place + 2), 16));
    assert.ok(green <= Math.max(red, blue), `${name} has more green than anything else`);
  }
});

test('the sizes of the fixed part are those that were asked for', () => {
  const size = (selector) => {
    const rule = STYLE.match(new RegExp(`(?:^|\\n)${selector.replace(/[.#[\]"=]/g, '\\$&')} \\{[^}]*?font-size: (\\d+)px`));
    assert.ok(rule, `no size for ${selector}`);
    return Number(rule[1]);
  };
  const wanted = { '#word': 64, '#hearing-value': 48, '#margin': 40, '#banner-word': 40, '#drive, #target, #pulse': 32, '#stage, #injection': 28, '#dose b': 28, '#sentence': 19, '#together': 17, '#established-word': 20, '#established-list': 17 };
  for (const [selector, px] of Object.entries(wanted)) assert.equal(size(selector), px, selector);
  for (const [, px] of STYLE.matchAll(/font-size: (\d+)px/g)) assert.ok(Number(px) >= 14, `${px} px is too small`);
});
