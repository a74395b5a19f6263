// Spectrum of the looked-at pulse over the baseline's 5 to 95 % band and mean, with the band plan.
// Densities in dB re 1 V²/Hz against frequency in MHz.

import { CIVIDIS } from './cividis.js';
import { fitCanvas, hatchTile } from './colours.js';
import { megahertz } from './format.js';

const LEFT = 46;
const TOP = 17;
const BOTTOM = 18;

/** Range of levels to draw, dB, in whole tens: from under the floor to over the strongest line. */
export function levelRange(curves, usedBins) {
  let low = Infinity;
  let high = -Infinity;
  for (const curve of curves) {
    for (let bin = 1; bin < Math.min(usedBins, curve.length); bin += 1) {
      const level = curve[bin];
      if (typeof level !== 'number' || !Number.isFinite(level)) continue;
      if (level < low) low = level;
      if (level > high) high = level;
    }
  }
  if (!(high >= low)) return null;
  const from = Math.floor((low - 1) / 10) * 10;
  return [from, Math.max(from + 20, Math.ceil((high + 1) / 10) * 10)];
}

export class SpectrumPlot {
  constructor(canvas, colours) {
    this.canvas = canvas;
    this.colours = colours;
    this.front = canvas.getContext('2d', { alpha: false });
    // Everything but the pulse itself, drawn again only when it changes.
    this.back = document.createElement('canvas');
    this.context = this.back.getContext('2d', { alpha: false });
    this.backShows = '';
    this.changed = true;
    this.densityDb = null;
    this.baseline = null;
    this.colourRangeDb = null;
  }

  begin(head, topHz) {
    this.head = head;
    this.topHz = topHz;
    this.usedBins = Math.max(2, Math.min(head.bins, Math.round(topHz / head.bin_hz) + 1));
    this.densityDb = null;
    this.baseline = null;
    this.range = null;
    this.backShows = '';
    this.backBaseline = undefined;
    this.changed = true;
  }

  show(densityDb, baseline) {
    this.densityDb = densityDb;
    this.baseline = baseline;
    this.changed = true;
  }

  draw() {
    this.ratio = globalThis.devicePixelRatio || 1;
    if (fitCanvas(this.canvas, this.ratio)) this.changed = true;
    if (!this.changed) return;
    this.changed = false;
    const { front, colours, ratio } = this;
    this.width = this.canvas.clientWidth;
    this.height = this.canvas.clientHeight;
    front.setTransform(ratio, 0, 0, ratio, 0, 0);
    front.fillStyle = colours.ground;
    front.fillRect(0, 0, this.width, this.height);
    front.font = '14px Arial, "Liberation Sans", Helvetica, sans-serif';
    if (!this.head) return;
    const curves = this.baseline === this.backBaseline ? [] : [this.baseline?.p05_db, this.baseline?.p95_db];
    const range = levelRange([this.densityDb, ...curves].filter(Boolean), this.usedBins) ?? (this.baseline === null ? null : this.range);
    if (range === null) {
      front.fillStyle = colours.dim;
      if (!this.empty) front.fillText('no spectrum is kept for this pulse', LEFT + 8, this.height / 2);
      return;
    }
    // The axis widens at once and narrows never within a run, so that pulses can be compared.
    this.range = this.range === null ? range : [Math.min(range[0], this.range[0]), Math.max(range[1], this.range[1])];
    this.drawBack();
    front.setTransform(1, 0, 0, 1, 0, 0);
    front.drawImage(this.back, 0, 0);
    front.setTransform(ratio, 0, 0, ratio, 0, 0);
    if (this.densityDb !== null) this.drawCurve(front, this.densityDb, colours.trace, 1.4);
  }

  drawBack() {
    const shows = `${this.canvas.width} ${this.canvas.height} ${this.range} ${this.colourRangeDb}`;
    if (shows === this.backShows && this.backBaseline === this.baseline && this.backHead === this.head) return;
    this.backShows = shows;
    this.backBaseline = this.baseline;
    this.backHead = this.head;
    const { context, ratio } = this;
    this.back.width = this.canvas.width;
    this.back.height = this.canvas.height;
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.fillStyle = this.colours.ground;
    context.fillRect(0, 0, this.width, this.height);
    context.font = '14px Arial, "Liberation Sans", Helvetica, sans-serif';
    this.drawPlan();
    this.drawAxes();
    this.drawBaseline();
  }

  x(hertz) {
    return LEFT + (hertz / this.topHz) * (this.width - LEFT - 4);
  }

  y(level) {
    const [low, high] = this.range;
    return this.height - BOTTOM - ((level - low) / (high - low)) * (this.height - TOP - BOTTOM);
  }

  drawPlan() {
    const { context, colours } = this;
    const bands = this.head.bands ?? {};
    const bottom = this.height - BOTTOM;
    context.fillStyle = colours.panel;
    for (const [low, high] of bands.broadband_hz ?? []) {
      context.fillRect(this.x(low), TOP, this.x(Math.min(high, this.topHz)) - this.x(low), bottom - TOP);
    }
    context.fillStyle = colours.quiet;
    for (const [low, high] of bands.broadband_hz ?? []) {
      context.fillRect(this.x(low), bottom - 3, this.x(Math.min(high, this.topHz)) - this.x(low), 3);
    }
    context.fillStyle = context.createPattern(hatchTile(colours.hatch, 6), 'repeat');
    for (const [low, high] of bands.notches_hz ?? []) {
      context.fillRect(this.x(low), TOP, Math.max(3, this.x(high) - this.x(low)), bottom - TOP);
    }
    this.drawLines(bands);
  }

  drawLines(bands) {
    const { context, colours } = this;
    const lines = (bands.lines ?? []).map((line) => ({ ...line, label: String(line.order) }));
    if (bands.fundamental) lines.push({ quantity: 'fundamental', low_hz: bands.fundamental[0], high_hz: bands.fundamental[1], label: 'f0' });
    lines.sort((a, b) => a.low_hz - b.low_hz);
    const labelled = [];
    const first = ['fundamental', 'harmonic', 'subharmonic', 'ultraharmonic'];
    for (const line of [...lines].sort((a, b) => first.indexOf(a.quantity) - first.indexOf(b.quantity))) {
      const middle = this.x((line.low_hz + line.high_hz) / 2);
      const whole = line.quantity === 'harmonic' || line.quantity === 'fundamental';
      context.fillStyle = whole ? colours.edge : colours.raised;
      context.fillRect(middle - 1, TOP, 2, this.height - TOP - BOTTOM);
      // Between the multiples stand short ticks, on them long ones.
      context.fillStyle = colours.ink;
      context.fillRect(middle - 1, TOP - (whole ? 4 : 2), 2, whole ? 8 : 4);
      const half = context.measureText(line.label).width / 2;
      if (labelled.some(([from, to]) => middle - half - 3 < to && middle + half + 3 > from)) continue;
      if (middle + half > this.width - 90) continue;
      labelled.push([middle - half, middle + half]);
      context.fillStyle = whole ? colours.ink : colours.dim;
      context.textAlign = 'center';
      context.textBaseline = 'alphabetic';
      context.fillText(line.label, middle, TOP - 5);
    }
    context.textAlign = 'right';
    context.fillStyle = colours.dim;
    context.fillText('multiples of f0', this.width - 1, TOP - 5);
  }

  drawAxes() {
    const { context, colours } = this;
    const [low, high] = this.range;
    context.textBaseline = 'middle';
    context.textAlign = 'right';
    const room = this.height - TOP - BOTTOM;
    const step = [10, 20, 40, 80].find((db) => (room * db) / (high - low) >= 18) ?? 80;
    for (let level = Math.ceil(low / step) * step; level <= high; level += step) {
      const y = this.y(level);
      context.fillStyle = colours.raised;
      context.fillRect(LEFT, y, this.width - LEFT, 1);
      context.fillStyle = colours.dim;
      if (y > TOP + 5 && y < this.height - BOTTOM + 2) context.fillText(String(level).replace('-', '−'), LEFT - 10, y);
    }
    context.textAlign = 'left';
    context.fillText('dB', 1, TOP - 8);
    this.drawColourBar();
    context.textBaseline = 'alphabetic';
    context.textAlign = 'center';
    const every = [0.5e6, 1e6, 2e6, 5e6, 10e6].find((hertz) => this.x(hertz) - this.x(0) >= 34) ?? 20e6;
    context.fillStyle = colours.dim;
    for (let hertz = 0; hertz < this.topHz && this.x(hertz) < this.width - 46; hertz += every) context.fillText(megahertz(hertz), this.x(hertz), this.height - 4);
    context.textAlign = 'right';
    context.fillText('MHz', this.width - 2, this.height - 4);
  }

  /** Which level has which colour in the pulse list, along the axis. */
  drawColourBar() {
    if (this.colourRangeDb === null) return;
    const [from, to] = this.colourRangeDb;
    const { context } = this;
    for (let y = TOP; y < this.height - BOTTOM; y += 1) {
      const level = this.range[0] + ((this.height - BOTTOM - y) / (this.height - TOP - BOTTOM)) * (this.range[1] - this.range[0]);
      const step = Math.round(255 * Math.max(0, Math.min(1, (level - from) / (to - from)))) * 3;
      context.fillStyle = `rgb(${CIVIDIS[step]} ${CIVIDIS[step + 1]} ${CIVIDIS[step + 2]})`;
      context.fillRect(LEFT - 7, y, 5, 1);
    }
  }

  drawBaseline() {
    if (this.baseline === null) return;
    const { context, colours } = this;
    const low = this.columnLevels(this.baseline.p05_db, Math.min);
    const high = this.columnLevels(this.baseline.p95_db, Math.max);
    context.fillStyle = colours.band;
    for (let column = 0; column < low.length; column += 1) {
      const top = this.y(high[column]);
      context.fillRect(LEFT + column, top, 1, Math.max(1, this.y(low[column]) - top));
    }
    this.drawCurve(context, this.baseline.mean_db, colours.mean, 1);
  }

  columnLevels(curve, pick) {
    const columns = Math.max(1, Math.floor(this.width - LEFT - 4));
    const levels = new Float64Array(columns).fill(NaN);
    for (let column = 0; column < columns; column += 1) {
      const from = Math.floor((column * this.usedBins) / columns);
      const to = Math.max(from + 1, Math.floor(((column + 1) * this.usedBins) / columns));
      let level = NaN;
      for (let bin = from; bin < to && bin < curve.length; bin += 1) {
        const here = curve[bin];
        if (typeof here === 'number' && Number.isFinite(here)) level = Number.isNaN(level) ? here : pick(level, here);
      }
      levels[column] = level;
    }
    return levels;
  }

  drawCurve(context, curve, colour, width) {
    context.strokeStyle = colour;
    context.lineWidth = width;
    context.beginPath();
    let pen = false;
    this.columnLevels(curve, Math.max).forEach((level, column) => {
      if (Number.isNaN(level)) {
        pen = false;
        return;
      }
      if (pen) context.lineTo(LEFT + column + 0.5, this.y(level));
      else context.moveTo(LEFT + column + 0.5, this.y(level));
      pen = true;
    });
    context.stroke();
  }
}
