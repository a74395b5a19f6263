// Draws the ROC, the onset and the table of drives of the tuning view, as SVG and HTML, whole, whenever
// something changed and never else. Colours and patterns are in style.css.

import { known } from './format.js';
import { shapeOf } from './shapes.js';
import { driveRows, interval, verdictParts } from './tuning_words.js';

const NS = 'http://www.w3.org/2000/svg';
const LINE = 17;
const MARK = 5;
const WORDS = { not_detected: 'not detected', stable: 'stable', inertial: 'inertial', none: 'no verdict' };
const SHAPE = { not_detected: 'NOT DETECTED', stable: 'STABLE', inertial: 'INERTIAL', none: 'NO VERDICT' };

function shape(name, attributes, words) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, String(value));
  if (words !== undefined) made.textContent = words;
  return made;
}

const px = (value) => Math.round(value * 10) / 10;
const path = (places) => places.map(([x, y], k) => `${k === 0 ? 'M' : 'L'}${px(x)} ${px(y)}`).join('');

/** The sign of a verdict, as on the rest of the page. */
export function verdictSign(verdict) {
  const svg = shape('svg', { viewBox: '0 0 24 24', 'aria-hidden': 'true', class: 'sign', 'data-verdict': verdict });
  svg.append(shape('path', { d: shapeOf(SHAPE[verdict]) }));
  return svg;
}

/** Triangles, one down and one up, for the drives that find half and nine in ten. */
const halfMark = (x, y) => shape('path', { class: 'half', d: `M${px(x)} ${px(y + MARK)}L${px(x - MARK)} ${px(y - MARK)}H${px(x + MARK)}z` });
const mostMark = (x, y) => shape('path', { class: 'most', d: `M${px(x)} ${px(y - MARK)}L${px(x + MARK)} ${px(y + MARK)}H${px(x - MARK)}z` });

/** The plot's own place within its box, px. */
function frame(svg, { left, right, top, bottom }) {
  const [width, height] = [svg.clientWidth, svg.clientHeight];
  svg.setAttribute('viewBox', `0 0 ${Math.max(1, width)} ${Math.max(1, height)}`);
  return { width, height, left, top, wide: Math.max(1, width - left - right), high: Math.max(1, height - top - bottom) };
}

const ROC_FRAME = { left: 34, right: 8, top: 7, bottom: LINE };

/** Shares of the ROC under a place of the window. */
export function rocSharesAt(svg, clientX, clientY) {
  const box = svg.getBoundingClientRect();
  const place = frame(svg, ROC_FRAME);
  const shares = [(clientX - box.left - place.left) / place.wide, 1 - (clientY - box.top - place.top) / place.high];
  return { falseShare: shares[0], foundShare: shares[1], aspect: place.wide / place.high };
}

/** The ROC with its operating point; `at` is where a person holds it, else where the answer has it. */
export function drawRoc(svg, answer, at) {
  svg.replaceChildren();
  const place = frame(svg, ROC_FRAME);
  const x = (share) => place.left + share * place.wide;
  const y = (share) => place.top + (1 - share) * place.high;
  svg.append(shape('rect', { class: 'ground', x: x(0), y: y(1), width: place.wide, height: place.high }));
  const points = answer?.roc?.points ?? [];
  const base = place.height - 4;
  svg.append(
    shape('path', { class: 'guess', d: path([[x(0), y(0)], [x(1), y(1)]]) }),
    shape('text', { x: x(0), y: base, 'text-anchor': 'middle' }, '0'),
    shape('text', { x: x(1), y: base, 'text-anchor': 'end' }, '1'),
    shape('text', { x: x(0.5), y: base, 'text-anchor': 'middle' }, 'quiet over'),
    shape('text', { x: place.left - 6, y: y(1) + 10, 'text-anchor': 'end' }, '1'),
    shape('text', { transform: `translate(15 ${px(y(0.5))}) rotate(-90)`, 'text-anchor': 'middle' }, 'found'),
  );
  if (points.length < 2) return;
  const line = points.map(([one, other]) => [x(one), y(other)]);
  svg.append(shape('path', { class: 'under', d: `${path(line)}L${px(x(1))} ${px(y(0))}z` }), shape('path', { class: 'curve', d: path(line) }));
  const held = at ?? answer.roc.at;
  if (!Array.isArray(held) || !known(held[0]) || !known(held[1])) return;
  const [middle, level] = [x(held[0]), y(held[1])];
  svg.append(
    shape('path', { class: 'cross', d: `M${px(middle)} ${px(y(0))}V${px(y(1))}M${px(x(0))} ${px(level)}H${px(x(1))}` }),
    shape('circle', { class: 'point', cx: px(middle), cy: px(level), r: 7 }),
    shape('circle', { class: 'pupil', cx: px(middle), cy: px(level), r: 2 }),
  );
}

/** Range of drives to draw, MPa: all that were recorded and where the curve ends. */
export function driveRange(answer) {
  const drives = (answer?.drives ?? []).map((one) => one.drive_mpa).filter(known);
  const curve = (answer?.onset?.curve ?? []).map(([drive]) => drive).filter(known);
  const all = [...drives, ...curve];
  if (all.length === 0) return null;
  const [low, high] = [Math.min(...all), Math.max(...all)];
  const edge = Math.max(0.04 * (high - low), 1e-3);
  return [Math.max(0, low - edge), high + edge];
}

/** Values for the ticks of an axis of `room` px, on a grid of 1, 2 and 5. */
export function ticks([from, to], room, least = 54) {
  const wanted = ((to - from) * least) / Math.max(least, room);
  const decade = 10 ** Math.floor(Math.log10(wanted));
  const step = [1, 2, 5, 10].map((part) => part * decade).find((one) => one >= wanted);
  const values = [];
  for (let k = Math.ceil(from / step - 1e-9); k * step <= to + 1e-9; k += 1) values.push(Number((k * step).toPrecision(6)));
  return values;
}

/** Pulses over the limit at each drive with their intervals, the fitted curve, the two drives it gives. */
export function drawOnset(svg, answer) {
  svg.replaceChildren();
  const place = frame(svg, { left: 46, right: 8, top: 7, bottom: LINE });
  const y = (share) => place.top + (1 - share) * place.high;
  svg.append(shape('rect', { class: 'ground', x: place.left, y: y(1), width: place.wide, height: place.high }));
  const levels = place.high > 3.2 * LINE ? [0, 0.5, 1] : [0, 1];
  for (const share of levels) {
    svg.append(
      shape('path', { class: 'grid', d: path([[place.left, y(share)], [place.left + place.wide, y(share)]]) }),
      shape('text', { x: place.left - 5, y: y(share) + (share === 1 ? 10 : share === 0 ? 0 : 5), 'text-anchor': 'end' }, `${100 * share} %`),
    );
  }
  const range = driveRange(answer);
  if (range === null) return;
  const scale = { range, place, y, x: (drive) => place.left + ((drive - range[0]) / (range[1] - range[0])) * place.wide };
  drawDriveAxis(svg, scale);
  drawCurve(svg, scale, answer);
  drawDrives(svg, scale, answer);
  drawOnsetMarks(svg, scale, answer);
}

function drawDriveAxis(svg, { range, place, x }) {
  const base = place.height - 4;
  const unit = shape('text', { x: place.left + place.wide, y: base, 'text-anchor': 'end' }, 'MPa');
  svg.append(unit);
  for (const drive of ticks(range, place.wide)) {
    if (x(drive) > place.left + place.wide - 56) continue;
    svg.append(
      shape('path', { class: 'tick', d: path([[x(drive), place.top + place.high - 4], [x(drive), place.top + place.high]]) }),
      shape('text', { x: px(x(drive)), y: base, 'text-anchor': 'middle' }, String(drive)),
    );
  }
}

/** Beyond the drives that were recorded the curve is a guess of the fit, and broken. */
function drawCurve(svg, { x, y }, answer) {
  const curve = (answer.onset?.curve ?? []).filter(([drive, share]) => known(drive) && known(share));
  if (curve.length < 2) return;
  const drives = (answer.drives ?? []).map((one) => one.drive_mpa).filter(known);
  const [low, high] = [Math.min(...drives), Math.max(...drives)];
  const places = curve.map(([drive, share]) => [x(drive), y(share)]);
  const first = curve.findIndex(([drive]) => drive >= low);
  const last = curve.findLastIndex(([drive]) => drive <= high);
  const parts = drives.length === 0 || first < 0 || last < first ? [['beyond', places]] : [['beyond', places.slice(0, first + 1)], ['curve', places.slice(first, last + 1)], ['beyond', places.slice(last)]];
  for (const [kind, part] of parts) if (part.length > 1) svg.append(shape('path', { class: kind, d: path(part) }));
}

function drawDrives(svg, { x, y }, answer) {
  for (const one of answer.drives ?? []) {
    if (!known(one.drive_mpa) || !known(one.share)) continue;
    const middle = x(one.drive_mpa);
    if (known(one.lo) && known(one.hi)) svg.append(shape('path', { class: 'whisker', d: `M${px(middle)} ${px(y(one.lo))}V${px(y(one.hi))}M${px(middle - 4)} ${px(y(one.lo))}h8M${px(middle - 4)} ${px(y(one.hi))}h8` }));
    svg.append(shape('rect', { class: 'drive', x: px(middle - 3), y: px(y(one.share) - 3), width: 6, height: 6 }));
  }
}

function drawOnsetMarks(svg, { x, y, place }, answer) {
  const onset = answer.onset ?? {};
  const right = place.left + place.wide;
  const within = (drive) => Math.max(place.left, Math.min(right, x(drive)));
  const words = [];
  for (const [mark, share, kind, name] of [[halfMark, 0.5, 'drive50', 'half'], [mostMark, 0.9, 'drive90', '9 in 10']]) {
    const drive = onset[`${kind}_mpa`];
    if (!known(drive)) continue;
    const [low, high] = [onset[`${kind}_lo`], onset[`${kind}_hi`]];
    if (known(low) && known(high)) svg.append(shape('path', { class: 'span', d: path([[within(low), y(share)], [within(high), y(share)]]) }));
    if (x(drive) >= place.left && x(drive) <= right) svg.append(mark(x(drive), y(share)));
    words.push([mark, `${name} ${drive.toFixed(3)}${interval(low, high)}`]);
  }
  if (words.length === 0) return;
  // Under a curve that rises the lower right is free, over it the upper left.
  const isLate = x(onset.drive50_mpa ?? onset.drive90_mpa) > place.left + place.wide / 2;
  const top = isLate ? place.top + 14 : place.top + place.high - 6 - LINE * (words.length - 1);
  words.forEach(([mark, text], k) => {
    const label = shape('text', { class: 'named', x: isLate ? place.left + 20 : right - 6, y: px(top + k * LINE), 'text-anchor': isLate ? 'start' : 'end' }, text);
    svg.append(label);
    // What lies under words, an interval that reaches far for one, would strike them through.
    const box = label.getBBox();
    svg.insertBefore(shape('rect', { class: 'plate', x: px(box.x - 17), y: px(box.y), width: px(box.width + 19), height: px(box.height) }), label);
    svg.append(mark(box.x - 9, top + k * LINE - 5));
  });
}

/** The table of drives: what all four limits say of the pulses, and what the shown one alone misses. */
export function fillDrives(body, answer) {
  body.replaceChildren(...(answer === null ? [] : driveRows(answer)).map(({ drive_mpa, misses, verdict }) => {
    const row = document.createElement('tr');
    const [drive, bar, missed] = ['th', 'td', 'td'].map((kind) => document.createElement(kind));
    drive.scope = 'row';
    drive.textContent = drive_mpa.toFixed(3);
    if (verdict !== null) bar.append(verdictBar(verdict));
    missed.textContent = misses === null ? '–' : `${misses.missed} of ${misses.pulses}`;
    row.append(drive, bar, missed);
    return row;
  }));
}

function verdictBar(verdict) {
  const bar = document.createElement('div');
  bar.className = 'verdicts';
  bar.setAttribute('role', 'img');
  const parts = verdictParts(verdict);
  bar.setAttribute('aria-label', parts.map(([kind, pulses]) => `${pulses} ${WORDS[kind]}`).join(', '));
  bar.append(...parts.map(([kind, pulses]) => {
    const part = document.createElement('i');
    part.dataset.verdict = kind;
    part.style.flexGrow = String(pulses);
    const number = document.createElement('b');
    number.textContent = String(pulses);
    part.append(number);
    return part;
  }));
  return bar;
}
