// The four quantities over one whole exposure (or the stretch of another stage), with drive steps and
// marks. One column of pixels holds the loudest of its pulses; a new pulse draws its column only.

import { dotTile, fitCanvas, hatchTile } from './colours.js';
import { axisShare } from './columns.js';
import { known } from './format.js';
import { shapeOf } from './shapes.js';
import { levels, unheardDb } from './store.js';

const LEFT = 50;
const BOTTOM = 18;
const DIAMOND_PX = 11;
const LANES = ['harm.', 'ultra.', 'sub.', 'broad.', 'drive'];

/** Pulses the strip makes room for: what is expected, and half as much again when it grows over. */
export function roomFor(count, expected) {
  let room = Math.max(40, expected ?? 0);
  while (room < count) room = Math.ceil(room * 1.5);
  return room;
}

export class ExposureStrip {
  constructor({ canvas, store, colours, marks }) {
    Object.assign(this, { canvas, store, colours, marks });
    this.context = canvas.getContext('2d', { alpha: false });
    this.whole = true;
    this.first = null;
    this.room = 0;
    this.expected = null;
    this.maxDriveMpa = 0.1;
  }

  changed() {
    this.whole = true;
  }

  /** Draws the stretch around `looked`, the entry the person looks at. */
  draw(looked) {
    this.ratio = globalThis.devicePixelRatio || 1;
    if (fitCanvas(this.canvas, this.ratio)) this.whole = true;
    const entries = this.store.entries;
    const follows = looked === null || looked === this.store.newest;
    const start = follows ? Math.max(0, entries.length - this.store.runLength) : null;
    const sameRun = follows && this.first !== null && entries[start]?.n === this.first && this.store.rebuilt === this.drawnRebuilt;
    const count = this.store.runLength;
    if (!this.whole && this.followed === follows && (follows ? sameRun : this.looked === looked) && count <= this.room) {
      if (follows) this.drawFresh(start, entries.length);
      this.looked = looked;
      return;
    }
    this.followed = follows;
    this.looked = looked;
    this.drawnRebuilt = this.store.rebuilt;
    const place = follows ? entries.length - 1 : entries.lastIndexOf(looked);
    this.drawAll(...this.store.run(place));
  }

  drawAll(from, to) {
    this.whole = false;
    const { context, colours, ratio } = this;
    const entries = this.store.entries;
    this.width = this.canvas.clientWidth;
    this.height = this.canvas.clientHeight;
    this.columnsWide = Math.max(1, Math.floor(this.width - LEFT - 4));
    this.lane = (this.height - BOTTOM) / LANES.length;
    this.hatch = context.createPattern(hatchTile(colours.hatch, 5), 'repeat');
    this.dots = context.createPattern(dotTile(colours.hatch, 4), 'repeat');
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.fillStyle = colours.ground;
    context.fillRect(0, 0, this.width, this.height);
    context.font = '14px Arial, "Liberation Sans", Helvetica, sans-serif';
    context.textBaseline = 'middle';
    context.textAlign = 'left';
    context.fillStyle = colours.dim;
    LANES.forEach((name, index) => context.fillText(name, 1, (index + 0.5) * this.lane));
    this.first = from <= to ? entries[from].n : null;
    const count = to - from + 1;
    const stage = entries[to]?.stage;
    this.room = roomFor(count, stage === 'exposure' || entries[from]?.stage === 'exposure' ? this.expected : null);
    this.maxima = Array.from({ length: 17 }, () => new Float32Array(this.columnsWide).fill(NaN));
    this.overs = Array.from({ length: 4 }, () => new Uint8Array(this.columnsWide));
    this.lasting = Array.from({ length: 4 }, () => new Uint8Array(this.columnsWide));
    this.onsets = [null, null, null, null];
    this.maxDriveMpa = 0.05;
    for (let place = from; place <= to; place += 1) {
      const drive = entries[place].drive_mpa;
      if (drive > this.maxDriveMpa) this.maxDriveMpa = drive;
    }
    for (let place = from; place <= to; place += 1) this.gather(entries[place], place - from);
    for (let column = 0; column < this.columnsWide; column += 1) this.drawColumn(column);
    this.drawOnsets();
    this.drawn = to + 1 - from;
    this.from = from;
    this.drawBottom(from, to);
    this.drawMarks(from, to);
  }

  drawFresh(start, end) {
    const entries = this.store.entries;
    const columns = new Set();
    for (let place = start + this.drawn; place < end; place += 1) {
      if (entries[place].drive_mpa > this.maxDriveMpa) {
        this.drawAll(start, end - 1);
        return;
      }
      for (const column of this.gather(entries[place], place - start)) columns.add(column);
    }
    this.drawn = end - start;
    this.addReach(columns);
    for (const column of columns) this.drawColumn(column);
    this.drawOnsets(columns);
    for (const x of this.markLines) if (columns.has(x - LEFT)) this.drawMarkLine(x);
  }

  /** A diamond reaches over its neighbours: where one of them is drawn anew, all under it are. */
  addReach(columns) {
    const reach = Math.ceil(DIAMOND_PX / 2);
    for (const onset of this.onsets) {
      if (onset === null || !onset.told) continue;
      const under = [];
      for (let column = Math.max(0, onset.column - reach); column <= Math.min(this.columnsWide - 1, onset.column + reach); column += 1) under.push(column);
      if (under.some((column) => columns.has(column))) for (const column of under) columns.add(column);
    }
  }

  columnsOf(index) {
    const from = Math.floor((index * this.columnsWide) / this.room);
    const to = Math.max(from + 1, Math.floor(((index + 1) * this.columnsWide) / this.room));
    return [from, Math.min(to, this.columnsWide)];
  }

  gather(entry, index) {
    const touched = [];
    const [from, to] = this.columnsOf(index);
    for (let column = from; column < to; column += 1) {
      touched.push(column);
      const drive = this.maxima[12];
      if (known(entry.drive_mpa) && !(drive[column] > entry.drive_mpa)) drive[column] = entry.drive_mpa;
      if (entry.kind !== 'pulse') continue;
      for (let quantity = 0; quantity < 4; quantity += 1) {
        const reach = levels(entry, this.store.mainSlot, quantity);
        const { detect, limit, hear } = reach;
        const heard = entry.verdict === 'indeterminate' ? NaN : hear;
        if (known(detect) && !(this.maxima[quantity][column] > detect)) this.maxima[quantity][column] = detect;
        if (known(limit)) this.maxima[4 + quantity][column] = limit;
        const deaf = entry.verdict === null ? NaN : known(heard) ? heard : 99;
        if (known(deaf) && !(this.maxima[8 + quantity][column] > deaf)) this.maxima[8 + quantity][column] = deaf;
        const unheard = known(heard) ? unheardDb(reach) : deaf;
        if (known(unheard) && !(this.maxima[13 + quantity][column] > unheard)) this.maxima[13 + quantity][column] = unheard;
        if (known(detect) && known(limit) && detect > limit) this.overs[quantity][column] = 1;
        if (entry.since !== null && entry.since[quantity] !== null) this.noteEstablished(entry, index, quantity, column);
      }
    }
    return touched;
  }

  /** The first pulse of this stretch from which a quantity is established, by the row that says so. */
  noteEstablished(entry, index, quantity, column) {
    this.lasting[quantity][column] = 1;
    // In a stretch whose beginning is no longer held it does not show where it began.
    if (this.onsets[quantity] === null) this.onsets[quantity] = { column, told: index > 0 || entry.pulse === entry.since[quantity] };
  }

  /** Diamonds where quantities became established: all, or those whose column is one of `columns`. */
  drawOnsets(columns = null) {
    const { context, colours, lane } = this;
    this.onsets.forEach((onset, quantity) => {
      if (onset === null || !onset.told || (columns !== null && !columns.has(onset.column))) return;
      const x = LEFT + onset.column;
      const top = quantity * lane + 1;
      const size = Math.min(DIAMOND_PX, lane - 3);
      context.fillStyle = colours.lasting;
      context.fillRect(x, top, 1, lane - 2);
      context.save();
      context.translate(Math.max(LEFT, x - size / 2 + 0.5), top);
      context.scale(size / 24, size / 24);
      this.diamond ??= new Path2D(shapeOf('ESTABLISHED'));
      context.fill(this.diamond, 'evenodd');
      context.restore();
    });
  }

  drawColumn(column) {
    const { context, colours, lane } = this;
    const x = LEFT + column;
    context.fillStyle = colours.ground;
    context.fillRect(x, 0, 1, this.height - BOTTOM);
    for (let quantity = 0; quantity < 4; quantity += 1) {
      const bottom = (quantity + 1) * lane - 1;
      const room = lane - 2;
      const y = (db) => bottom - axisShare(db) * room;
      const detect = this.maxima[quantity][column];
      const limit = this.maxima[4 + quantity][column];
      const hear = this.maxima[8 + quantity][column];
      context.fillStyle = colours.panel;
      context.fillRect(x, bottom - room, 1, room);
      if (known(hear)) {
        const unheard = this.maxima[13 + quantity][column];
        const low = hear >= 99 ? bottom : y(0);
        context.fillStyle = this.dots;
        context.fillRect(x, y(hear), 1, y(unheard) - y(hear));
        context.fillStyle = this.hatch;
        context.fillRect(x, y(unheard), 1, low - y(unheard));
      }
      if (known(detect)) {
        const [top, low] = detect >= 0 ? [y(detect), y(0)] : [y(0), y(detect)];
        context.fillStyle = this.overs[quantity][column] ? colours.stable : colours.bar;
        context.fillRect(x, top, 1, Math.max(1, low - top));
      }
      if (known(limit)) {
        context.fillStyle = colours.ink;
        context.fillRect(x, y(limit), 1, 1);
      }
      if (this.lasting[quantity][column]) {
        context.fillStyle = colours.lasting;
        context.fillRect(x, bottom - room, 1, 2);
      }
    }
    const drive = this.maxima[12][column];
    if (!known(drive)) return;
    const bottom = 5 * lane - 1;
    const tall = ((lane - 3) * drive) / this.maxDriveMpa;
    context.fillStyle = colours.edge;
    context.fillRect(x, bottom - tall, 1, tall);
    context.fillStyle = colours.ink;
    context.fillRect(x, bottom - tall, 1, 2);
  }

  drawBottom(from, to) {
    const { context, colours } = this;
    context.fillStyle = colours.dim;
    context.textBaseline = 'alphabetic';
    context.textAlign = 'left';
    this.labelled = [];
    if (from > to) return;
    const words = `${this.room} pulses`;
    const width = context.measureText(words).width;
    context.textAlign = 'right';
    context.fillText(words, this.width - 2, this.height - 4);
    this.labelled.push([this.width - 8 - width, this.width]);
  }

  drawMarkLine(x) {
    this.context.fillStyle = this.colours.ink;
    for (let y = 0; y < this.height - BOTTOM; y += 6) this.context.fillRect(x, y, 1, 3);
  }

  drawMarks(from, to) {
    const { context } = this;
    const entries = this.store.entries;
    this.markLines = [];
    for (const mark of this.marks.list) {
      const place = placeOfMark(mark, entries, from, to);
      if (place === null) continue;
      const x = LEFT + this.columnsOf(place - from)[0];
      this.markLines.push(x);
      this.drawMarkLine(x);
      const words = mark.label;
      const width = context.measureText(words).width;
      const left = Math.max(0, Math.min(x - 2, this.width - width));
      if (this.labelled.some(([a, b]) => left < b + 6 && left + width > a - 6)) continue;
      this.labelled.push([left, left + width]);
      context.textAlign = 'left';
      context.fillText(words, left, this.height - 4);
    }
  }
}

/** Place of the first pulse a mark holds for, within `from` to `to`; null when it is not there. */
export function placeOfMark(mark, entries, from, to) {
  for (let place = from; place <= to; place += 1) {
    const entry = entries[place];
    if (entry.kind !== 'pulse') continue;
    const reached = typeof mark.pulse === 'number' ? entry.pulse >= mark.pulse : entry.time_s >= mark.time_s;
    if (!reached) continue;
    // A mark before this stretch is not drawn at its first pulse, unless it holds from just that one.
    return place > from || entry.pulse === mark.pulse ? place : null;
  }
  return null;
}
