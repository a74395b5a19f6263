// The pulse list: one row a pulse, newest on top, drawn into one canvas. New rows push the picture
// down and only they are drawn; all is drawn again when the size, the row height or the history changes.

import { paletteFor } from './cividis.js';
import { fitCanvas, hatchTile, rgbOf } from './colours.js';
import { axisShare, columnsFor, neighbourHeight, poolCodes, rowHeight, TEXT_FROM_PX } from './columns.js';
import { driveText, known, levelDb, megahertz } from './format.js';
import { QUANTITIES, plural } from './present.js';
import { shapeOf } from './shapes.js';
import { levels } from './store.js';

const HATCH_PX = 6;
const SPAN_CODES = 60; // 30 dB of half-decibel codes over the map, so that a raised floor shows.

const WORD_OF = { not_detected: 'NOT DETECTED', stable: 'STABLE', inertial: 'INERTIAL', indeterminate: 'NOT HEARING' };
const VERDICT_TEXT = { not_detected: 'not detected', stable: 'stable', inertial: 'INERTIAL', indeterminate: 'not hearing' };

export class PulseList {
  constructor({ host, canvas, chosen, heads, store, spectra, colours }) {
    Object.assign(this, { host, canvas, chosen, heads, store, spectra, colours });
    this.context = canvas.getContext('2d', { alpha: false });
    this.offset = 0;
    this.chosenEntry = null;
    this.ownHeight = null;
    this.height = 0;
    this.maxDriveMpa = 0.1;
    this.lateSpectra = [];
    this.rangeFrom = null;
    this.spectraSeen = 0;
    this.topHz = 0;
    this.whole = true;
    this.drawnAppended = 0;
    this.drawnRebuilt = -1;
    this.paths = new Map();
  }

  /** Forgets what belonged to a former run. */
  begin(topHz) {
    this.topHz = topHz;
    this.rangeFrom = null;
    this.spectraSeen = 0;
    this.whole = true;
  }

  clear() {
    this.offset = 0;
    this.chosenEntry = null;
    this.drawnAppended = this.store.appended;
    this.whole = true;
  }

  /** A spectrum came for pulse `n`, maybe after its row was drawn. */
  spectrumCame(n) {
    this.spectraSeen += 1;
    if (this.rangeFrom === null || this.spectraSeen % 64 === 1) {
      const range = this.spectra.range(n);
      if (range !== null && (this.rangeFrom === null || range[0] < this.rangeFrom - 4)) {
        this.rangeFrom = range[0];
        this.palette = paletteFor(this.rangeFrom, this.rangeFrom + SPAN_CODES, rgbOf(this.colours.panel));
        this.whole = true;
      }
    }
    if (this.lateSpectra.length < 64) this.lateSpectra.push(n);
    else this.whole = true;
  }

  /** Level range of the colours, dB re 1 V²/Hz, or null before the first spectrum. */
  get colourRangeDb() {
    if (this.rangeFrom === null || this.spectra.floorDb === null) return null;
    const from = this.spectra.floorDb + (this.rangeFrom - 1) / 2;
    return [from, from + SPAN_CODES / 2];
  }

  get visibleRows() {
    return Math.max(1, Math.floor(this.canvas.height / Math.max(1, this.rowPx ?? 1)));
  }

  /** The entry the person looks at: the chosen one, else the newest. */
  get looked() {
    return this.chosenEntry ?? this.store.newest;
  }

  placeOf(entry) {
    const entries = this.store.entries;
    let low = 0;
    let high = entries.length - 1;
    while (low <= high) {
      const middle = (low + high) >> 1;
      if (entries[middle] === entry) return middle;
      if (entries[middle].n < entry.n || (entries[middle].n === entry.n && entries[middle].kind === 'hole')) low = middle + 1;
      else high = middle - 1;
    }
    return entries.indexOf(entry);
  }

  /** Chooses the pulse `rows` further down (older), or up when negative. */
  move(rows) {
    const entries = this.store.entries;
    if (entries.length === 0) return;
    const from = this.chosenEntry === null ? entries.length - 1 : this.placeOf(this.chosenEntry);
    if (this.chosenEntry === null && rows < 0) return;
    const place = Math.max(0, Math.min(entries.length - 1, from - rows));
    this.choose(place);
  }

  choose(place) {
    const entries = this.store.entries;
    this.chosenEntry = entries[place] ?? null;
    const down = entries.length - 1 - place;
    if (down < this.offset) this.scrollTo(down);
    if (down >= this.offset + this.visibleRows) this.scrollTo(down - this.visibleRows + 1);
  }

  follow() {
    this.chosenEntry = null;
    this.scrollTo(0);
  }

  page(direction) {
    this.move(direction * Math.max(1, this.visibleRows - 1));
  }

  scrollTo(offset) {
    const most = Math.max(0, this.store.entries.length - this.visibleRows);
    const wanted = Math.max(0, Math.min(most, Math.round(offset)));
    if (wanted === this.offset) return;
    this.offset = wanted;
    this.whole = true;
  }

  /** Chooses what lies at `y` CSS px under the top of the list. */
  chooseAt(y) {
    const down = this.offset + Math.floor((y * this.ratio) / this.rowPx);
    const place = this.store.entries.length - 1 - down;
    if (place >= 0) this.choose(place);
  }

  changeHeight(step) {
    this.ownHeight = neighbourHeight(this.ownHeight ?? this.height, step);
  }

  fitHeight() {
    this.ownHeight = null;
  }

  /** Draws what is new. */
  draw() {
    this.ratio = globalThis.devicePixelRatio || 1;
    if (fitCanvas(this.canvas, this.ratio)) this.whole = true;
    const fresh = this.store.appended - this.drawnAppended;
    this.drawnAppended = this.store.appended;
    if (this.store.rebuilt !== this.drawnRebuilt) {
      this.drawnRebuilt = this.store.rebuilt;
      this.whole = true;
    }
    const height = this.ownHeight ?? rowHeight(this.store.runLength, this.canvas.clientHeight);
    if (height !== this.height) {
      this.height = height;
      this.whole = true;
    }
    this.noteDrives(fresh);
    if (this.offset > 0) {
      this.offset = Math.min(this.offset + fresh, Math.max(0, this.store.entries.length - 1));
      if (this.chosenEntry !== null && this.store.entries[0]?.n > this.chosenEntry.n) this.follow();
    }
    if (this.whole) this.drawAll();
    else if (this.offset === 0 && fresh > 0) this.drawFresh(fresh);
    for (const n of this.lateSpectra) this.redrawRow(n);
    this.lateSpectra = [];
    this.placeChosen();
    this.drawScroll();
  }

  noteDrives(fresh) {
    const entries = this.store.entries;
    for (let down = 0; down < Math.min(fresh, entries.length); down += 1) {
      const drive = entries[entries.length - 1 - down].drive_mpa;
      if (drive > this.maxDriveMpa) {
        this.maxDriveMpa = drive * 1.1;
        this.whole = true;
      }
    }
  }

  drawAll() {
    this.whole = false;
    this.rowPx = Math.max(1, Math.round(this.height * this.ratio));
    const width = this.canvas.clientWidth - 8;
    const columns = columnsFor(width, this.store.channels.length);
    this.at = Object.fromEntries(Object.entries(columns).map(([name, place]) => [name, { left: Math.round(place.left * this.ratio), width: Math.round(place.width * this.ratio) }]));
    this.columns = columns;
    this.hatch = this.context.createPattern(hatchTile(this.colours.hatch, Math.round(HATCH_PX * this.ratio)), 'repeat');
    this.strip = this.context.createImageData(Math.max(1, this.at.spectrum.width), this.rowPx);
    this.stripWords = new Uint32Array(this.strip.data.buffer);
    this.pooled = new Uint8Array(this.strip.width);
    this.context.fillStyle = this.colours.ground;
    this.context.fillRect(0, 0, this.canvas.width, this.canvas.height);
    const entries = this.store.entries;
    const rows = Math.min(entries.length - this.offset, Math.ceil(this.canvas.height / this.rowPx));
    for (let row = 0; row < rows; row += 1) this.drawRow(entries.length - 1 - this.offset - row, row * this.rowPx);
    this.drawHeads();
  }

  drawFresh(fresh) {
    const shift = fresh * this.rowPx;
    const entries = this.store.entries;
    if (shift >= this.canvas.height) {
      this.drawAll();
      return;
    }
    const { width, height } = this.canvas;
    this.context.drawImage(this.canvas, 0, 0, width, height - shift, 0, shift, width, height - shift);
    for (let row = 0; row < Math.min(fresh, entries.length); row += 1) this.drawRow(entries.length - 1 - row, row * this.rowPx);
  }

  redrawRow(n) {
    const entries = this.store.entries;
    for (let place = entries.length - 1; place >= Math.max(0, entries.length - 70); place -= 1) {
      const entry = entries[place];
      if (entry.kind !== 'pulse' || entry.n !== n) continue;
      const row = entries.length - 1 - place - this.offset;
      if (row >= 0 && row * this.rowPx < this.canvas.height) this.drawRow(place, row * this.rowPx);
      return;
    }
  }

  drawRow(place, top) {
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
      context.fillStyle = colours.edge;
      context.fillRect(at.drive.left, top + rowPx - Math.round(3 * this.ratio), width, Math.round(2 * this.ratio));
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
    this.context.putImageData(this.strip, this.at.spectrum.left, top);
  }

  drawHatch(left, top, width, height) {
    if (width <= 0) return;
    const { context } = this;
    const period = Math.round(HATCH_PX * this.ratio);
    const shift = this.phase % period;
    context.save();
    context.translate(0, top + shift);
    context.fillStyle = this.hatch;
    context.fillRect(left, -shift, width, height);
    context.restore();
  }

  drawLevel(entry, index, at, top) {
    const { context, colours, rowPx } = this;
    const { detect, limit, hear } = levels(entry, this.store.mainSlot, index);
    const x = (db) => at.left + Math.round(axisShare(db) * at.width);
    const thin = rowPx >= 5 * this.ratio ? Math.max(1, Math.floor(rowPx * 0.18)) : 0;
    const body = rowPx - (rowPx > 2 ? 1 : 0);
    context.fillStyle = colours.panel;
    context.fillRect(at.left, top, at.width, body);
    if (entry.verdict !== null) {
      const deaf = entry.verdict === 'indeterminate' || !known(hear);
      if (deaf) this.drawHatch(at.left, top, at.width, body);
      else this.drawHatch(x(0), top, x(hear) - x(0), body);
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

  drawScroll() {
    const { context, colours, canvas } = this;
    const left = canvas.width - Math.round(6 * this.ratio);
    context.fillStyle = colours.ground;
    context.fillRect(left, 0, canvas.width - left, canvas.height);
    const total = this.store.entries.length;
    if (total <= this.visibleRows) return;
    const size = Math.max(Math.round(14 * this.ratio), (canvas.height * this.visibleRows) / total);
    const room = canvas.height - size;
    context.fillStyle = colours.edge;
    context.fillRect(left, (room * this.offset) / Math.max(1, total - this.visibleRows), canvas.width - left, size);
  }

  drawHeads() {
    const short = this.columns.broadband.width < 68;
    const names = { time: 'time, s', drive: 'MPa', spectrum: `${this.columns.spectrum.width >= 150 ? 'spectrum, ' : ''}0 to ${megahertz(Math.round(this.topHz / 1e5) * 1e5)} MHz`, harmonic: short ? 'harm.' : 'harmonic', ultraharmonic: short ? 'ultra.' : 'ultraharm.', subharmonic: short ? 'sub.' : 'subharm.', broadband: short ? 'broad.' : 'broadband', lanes: 'ch.', verdict: 'verdict' };
    const spans = Object.entries(this.columns).filter(([, place]) => place.width > 0).map(([name, place]) => {
      const span = document.createElement('span');
      span.textContent = names[name];
      span.style.left = `${place.left + (name === 'verdict' ? 18 : 0)}px`;
      span.style.width = `${place.width + 5}px`;
      return span;
    });
    this.heads.replaceChildren(...spans);
  }

  /** The chosen row carries its numbers whatever its height. */
  placeChosen() {
    const entry = this.chosenEntry;
    const place = entry === null ? -1 : this.placeOf(entry);
    const down = this.store.entries.length - 1 - place - this.offset;
    const top = (down * this.rowPx) / this.ratio;
    if (entry === null || place < 0 || down < 0 || top > this.canvas.clientHeight) {
      this.chosen.hidden = true;
      return;
    }
    this.chosen.hidden = false;
    const y = Math.max(0, Math.min(this.canvas.clientHeight - 20, top + this.height / 2 - 10));
    this.chosen.style.top = `${y}px`;
    if (this.shown === entry && this.shownAt === this.columns) return;
    this.shown = entry;
    this.shownAt = this.columns;
    this.chosen.replaceChildren(...this.chosenParts(entry));
  }

  chosenParts(entry) {
    const part = (name, words) => {
      const span = document.createElement('span');
      span.textContent = words;
      span.style.left = `${this.columns[name].left + 1}px`;
      span.style.width = `${this.columns[name].width + 5}px`;
      return span;
    };
    if (entry.kind === 'gap') return [part('spectrum', `${plural(entry.to - entry.from + 1, 'pulse')} not shown`)];
    const time = part('time', known(entry.time_s) ? entry.time_s.toFixed(1) : '');
    if (entry.kind === 'hole') return [time, part('spectrum', 'pulse missing')];
    const parts = [time, part('drive', driveText(entry.drive_mpa, entry.drive_setting).replace(' MPa', '')), part('spectrum', `pulse ${entry.pulse}`)];
    QUANTITIES.forEach((quantity, index) => {
      const { detect, limit } = levels(entry, this.store.mainSlot, index);
      if (known(detect)) parts.push(part(quantity, `${levelDb(detect)}/${levelDb(limit)}`));
    });
    parts.push(part('verdict', VERDICT_TEXT[entry.verdict] ?? entry.stage));
    return parts;
  }
}
