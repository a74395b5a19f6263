// One row of the pulse list: time, drive, spectrum, four levels against their limits with what could
// not have been heard hatched, verdict. All lengths here are canvas pixels unless a name says otherwise.

import { beadTile, dotTile, hatchTile } from './colours.js';
import { axisShare, poolCodes, TEXT_FROM_PX } from './columns.js';
import { known } from './format.js';
import { plural, QUANTITIES } from './present.js';
import { shapeOf } from './shapes.js';
import { levels, unheardDb } from './store.js';

const HATCH_PX = 6;
const DOT_PX = 4;
const BEAD_PX = 9;
const BEAD_PERIOD_PX = 12;
const DASH_PX = 4;

/** Rows at least this high, px, carry a diamond each; over lower ones a string of them goes on. */
const DIAMOND_FROM_PX = 10;

const WORD_OF = { not_detected: 'NOT DETECTED', stable: 'STABLE', inertial: 'INERTIAL', indeterminate: 'NOT HEARING' };

/** Verdicts as the list writes them. */
export const VERDICT_TEXT = { not_detected: 'not detected', stable: 'stable', inertial: 'INERTIAL', indeterminate: 'not hearing' };

export class RowPainter {
  constructor({ canvas, context, store, spectra, colours }) {
    Object.assign(this, { canvas, context, store, spectra, colours });
    this.maxDriveMpa = 0.1;
    this.palette = null;
    this.paths = new Map();
    this.scratch = document.createElement('canvas').getContext('2d', { alpha: false, willReadFrequently: true });
  }

  /** Takes the columns (CSS px), the height of a row in both units, and the screen's pixel ratio. */
  layOut({ columns, rowPx, height, ratio }) {
    Object.assign(this, { rowPx, height, ratio });
    this.at = Object.fromEntries(Object.entries(columns).map(([name, place]) => [name, { left: Math.round(place.left * ratio), width: Math.round(place.width * ratio) }]));
    const tile = (picture) => ({ pattern: this.context.createPattern(picture, 'repeat'), period: picture.height });
    this.hatch = tile(hatchTile(this.colours.hatch, Math.round(HATCH_PX * ratio)));
    this.dots = tile(dotTile(this.colours.hatch, Math.round(DOT_PX * ratio)));
    this.beads = tile(beadTile(this.colours.lasting, this.colours.ground, Math.round(BEAD_PX * ratio), Math.round(BEAD_PERIOD_PX * ratio)));
    this.strip = this.context.createImageData(Math.max(1, this.at.spectrum.width), rowPx);
    this.stripWords = new Uint32Array(this.strip.data.buffer);
    this.pooled = new Uint8Array(this.strip.width);
    this.scratch.canvas.width = this.strip.width;
    this.scratch.canvas.height = rowPx;
  }

  /** Draws the entry at `place` of the store with its upper edge at `top`, canvas px. */
  row(place, top) {
    const entry = this.store.entries[place];
    const { context, at, rowPx, colours } = this;
    context.fillStyle = colours.ground;
    context.fillRect(0, top, this.canvas.width, rowPx);
    this.phase = place * rowPx;
    if (entry.kind === 'gap' || entry.kind === 'hole') {
      this.drawAbsent(entry, top);
      return;
    }
    this.drawTime(entry, this.store.entries[place - 1], top);
    this.drawDrive(entry, top);
    this.drawStrip(entry, top);
    QUANTITIES.forEach((quantity, index) => this.drawLevel(entry, index, at[quantity], top));
    if (this.store.channels.length > 1) this.drawLanes(entry, top);
    this.drawVerdict(entry, top);
  }

  get hasText() {
    return this.height >= TEXT_FROM_PX;
  }

  text(words, x, top, colour, weight = '') {
    const { context } = this;
    context.font = `${weight} ${Math.round(14 * this.ratio)}px Arial, "Liberation Sans", Helvetica, sans-serif`;
    context.textBaseline = 'middle';
    context.fillStyle = colour;
    context.fillText(words, x, top + this.rowPx / 2 + this.ratio * 0.5);
  }

  drawAbsent(entry, top) {
    const { context, colours, rowPx } = this;
    context.fillStyle = colours.raised;
    context.fillRect(0, top, this.canvas.width, rowPx);
    context.fillStyle = colours.stable;
    const dashPx = Math.round(10 * this.ratio);
    for (let x = 0; x < this.canvas.width; x += 2 * dashPx) context.fillRect(x, top + rowPx - 1, dashPx, 1);
    if (!this.hasText) return;
    const words = entry.kind === 'gap' ? `${plural(entry.to - entry.from + 1, 'pulse')} not shown` : 'pulse missing: it never came';
    this.text(words, this.at.spectrum.left, top, colours.stable);
  }

  drawTime(entry, older, top) {
    const { at, colours, context } = this;
    if (this.hasText) {
      if (known(entry.time_s)) this.text(entry.time_s.toFixed(1), at.time.left + 2, top, colours.ink);
      return;
    }
    const ten = Math.floor(entry.time_s / 10);
    const former = older?.kind === 'pulse' ? Math.floor(older.time_s / 10) : ten;
    if (ten === former) return;
    context.fillStyle = ten % 6 === 0 ? colours.ink : colours.dim;
    context.fillRect(at.time.left, top, Math.round(at.time.width * (ten % 6 === 0 ? 1 : 0.4)), Math.max(1, Math.round(this.ratio)));
  }

  drawDrive(entry, top) {
    const { at, colours, context, rowPx } = this;
    if (!known(entry.drive_mpa)) {
      if (this.hasText && known(entry.drive_setting)) this.text(String(Number(entry.drive_setting.toPrecision(4))), at.drive.left + 2, top, colours.ink);
      return;
    }
    const width = Math.round((at.drive.width * entry.drive_mpa) / this.maxDriveMpa);
    if (this.hasText) {
      if (this.height >= 18) {
        context.fillStyle = colours.edge;
        context.fillRect(at.drive.left, top + rowPx - Math.round(3 * this.ratio), width, Math.round(2 * this.ratio));
      }
      this.text(entry.drive_mpa.toFixed(3), at.drive.left + 2, top, colours.ink);
    } else {
      context.fillStyle = colours.bar;
      context.fillRect(at.drive.left, top, width, rowPx);
    }
  }

  drawStrip(entry, top) {
    const codes = this.palette ? this.spectra.get(entry.n) : null;
    if (codes === null) {
      this.context.fillStyle = this.colours.panel;
      this.context.fillRect(this.at.spectrum.left, top, this.at.spectrum.width, this.rowPx);
      return;
    }
    poolCodes(codes, this.pooled);
    const width = this.strip.width;
    for (let x = 0; x < width; x += 1) this.stripWords[x] = this.palette[this.pooled[x]];
    for (let row = 1; row < this.rowPx; row += 1) this.stripWords.copyWithin(row * width, 0, width);
    // By way of a small canvas: writing pixels straight into the list would first finish all of its
    // drawing, which takes some ten times as long.
    this.scratch.putImageData(this.strip, 0, 0);
    this.context.drawImage(this.scratch.canvas, this.at.spectrum.left, top);
  }

  drawHatch(left, top, width, height) {
    this.drawTile(this.hatch, 0, left, top, width, height);
  }

  /** Fills with a tile that starts at `origin` and goes on from row to row. */
  drawTile({ pattern, period }, origin, left, top, width, height) {
    if (width <= 0) return;
    const { context } = this;
    const shift = this.phase % period;
    context.save();
    context.translate(origin, top + shift);
    context.fillStyle = pattern;
    context.fillRect(left - origin, -shift, width, height);
    context.restore();
  }

  /** What could not have been heard: strokes, not even together; dots, heard only together. */
  drawUnheard(reach, x, top, body) {
    const { hear, together } = reach;
    const px = Math.max(1, Math.round(this.ratio));
    const unheard = Math.min(Math.max(x(0) + px, x(unheardDb(reach))), Math.max(x(0) + px, x(hear)));
    this.drawHatch(x(0), top, unheard - x(0), body);
    if (together < hear) this.drawTile(this.dots, 0, unheard, top, x(hear) - unheard, body);
  }

  /** The broken tick of the limit that all pulses so far have together. */
  drawBrokenTick(left, top, body) {
    const { context, colours } = this;
    const period = Math.round(DASH_PX * this.ratio);
    const px = Math.max(1, Math.round(this.ratio));
    context.fillStyle = colours.lasting;
    for (let y = (this.phase % period) - period; y < body; y += period) {
      const from = Math.max(0, y);
      const to = Math.min(body, y + period / 2);
      if (to > from) context.fillRect(left, top + from, px, to - from);
    }
  }

  /** At the left edge of a column: this quantity is established in this row. */
  drawEstablished(at, top, body) {
    const { context, colours, rowPx } = this;
    const width = Math.round(BEAD_PX * this.ratio);
    if (this.height < DIAMOND_FROM_PX) {
      this.drawTile(this.beads, at.left, at.left, top, width, rowPx);
      return;
    }
    context.fillStyle = colours.ground;
    context.fillRect(at.left, top, width, body);
    const size = Math.min(width, body - 1);
    context.save();
    context.translate(at.left + (width - size) / 2, top + (body - size) / 2);
    context.scale(size / 24, size / 24);
    context.fillStyle = colours.lasting;
    context.fill(this.path('ESTABLISHED'), 'evenodd');
    context.restore();
  }

  drawLevel(entry, index, at, top) {
    const { context, colours, rowPx } = this;
    const reach = levels(entry, this.store.mainSlot, index);
    const { detect, limit, hear, together } = reach;
    const x = (db) => at.left + Math.round(axisShare(db) * at.width);
    const thin = rowPx >= 5 * this.ratio ? Math.max(1, Math.floor(rowPx * 0.18)) : 0;
    const body = rowPx - (rowPx > 2 ? 1 : 0);
    context.fillStyle = colours.panel;
    context.fillRect(at.left, top, at.width, body);
    if (entry.verdict !== null) {
      const deaf = entry.verdict === 'indeterminate' || !known(hear);
      if (deaf) this.drawHatch(at.left, top, at.width, body);
      else this.drawUnheard(reach, x, top, body);
    }
    if (known(detect)) {
      const over = known(limit) && detect > limit;
      const [from, to] = detect >= 0 ? [x(0), x(detect)] : [x(detect), x(0)];
      context.fillStyle = over ? colours.stable : colours.bar;
      context.fillRect(from, top + thin, Math.max(Math.round(this.ratio), to - from), Math.max(1, body - 2 * thin));
      if (over && axisShare(detect) === 1) {
        context.fillStyle = colours.ink;
        context.fillRect(to - Math.round(3 * this.ratio), top, Math.round(3 * this.ratio), body);
      }
    }
    if (known(limit)) {
      context.fillStyle = colours.ink;
      context.fillRect(x(limit), top, Math.max(1, Math.round(this.ratio)), body);
    }
    if (known(together)) this.drawBrokenTick(x(together), top, body);
    if (entry.since !== null && entry.since[index] !== null) this.drawEstablished(at, top, body);
  }

  /** One lane a channel: how far its verdict goes, as bars that grow from the left. */
  drawLanes(entry, top) {
    const { at, rowPx } = this;
    const channels = this.store.channels.length;
    const step = at.lanes.width / channels;
    for (let slot = 0; slot < channels; slot += 1) {
      const left = at.lanes.left + Math.round(slot * step);
      this.drawDegree(entry.verdicts[slot], left, Math.max(1, Math.round(step) - Math.round(this.ratio)), top, rowPx, true);
    }
  }

  drawDegree(verdict, left, width, top, height, upright) {
    const { context, colours } = this;
    if (verdict === 'indeterminate') {
      this.drawHatch(left, top, width, height);
      return;
    }
    const [colour, share] = { not_detected: [colours.edge, 0.25], stable: [colours.stable, 0.6], inertial: [colours.inertial, 1] }[verdict] ?? [null, 0];
    if (colour === null) return;
    context.fillStyle = colour;
    if (upright && height >= 8) {
      const tall = Math.max(1, Math.round((height - 2) * share));
      context.fillRect(left, top + height - 1 - tall, width, tall);
    } else {
      context.fillRect(left, top, Math.max(1, Math.round(width * share)), height);
    }
  }

  drawVerdict(entry, top) {
    const { at, colours, context, rowPx } = this;
    const left = at.verdict.left;
    if (!this.hasText) {
      this.drawDegree(entry.verdict, left, at.verdict.width, top, rowPx, false);
      return;
    }
    if (entry.verdict === null) {
      this.text(entry.stage || 'no verdict', left + Math.round(18 * this.ratio), top, colours.dim);
      return;
    }
    const word = WORD_OF[entry.verdict] ?? 'NO VERDICT';
    const colour = { not_detected: colours.quiet, stable: colours.stable, inertial: colours.inertial }[entry.verdict] ?? colours.ink;
    if (entry.verdict === 'inertial') {
      context.fillStyle = colours.inertial;
      context.fillRect(left, top, at.verdict.width, rowPx - 1);
    }
    const ink = entry.verdict === 'inertial' ? colours.ground : colour;
    const size = Math.min(13 * this.ratio, rowPx - 2);
    context.save();
    context.translate(left + 2, top + (rowPx - size) / 2);
    context.scale(size / 24, size / 24);
    context.fillStyle = ink;
    context.fill(this.path(word), 'evenodd');
    context.restore();
    this.text(VERDICT_TEXT[entry.verdict] ?? entry.verdict, left + Math.round(18 * this.ratio), top, ink, entry.verdict === 'not_detected' ? '' : 'bold');
  }

  path(word) {
    if (!this.paths.has(word)) this.paths.set(word, new Path2D(shapeOf(word)));
    return this.paths.get(word);
  }
}
