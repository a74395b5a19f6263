// The pulse list: one row a pulse, newest on top, drawn into one canvas. New rows push the picture
// down and only they are drawn; all is drawn again when the size, the row height or the history changes.

import { paletteFor } from './cividis.js';
import { fitCanvas, rgbOf } from './colours.js';
import { columnsFor, neighbourHeight, rowHeight } from './columns.js';
import { driveText, known, levelDb, megahertz } from './format.js';
import { QUANTITIES, plural } from './present.js';
import { RowPainter, VERDICT_TEXT } from './row_painter.js';
import { levels } from './store.js';

const SPAN_CODES = 60; // 30 dB of half-decibel codes over the map, so that a raised floor shows.

export class PulseList {
  constructor({ host, canvas, chosen, heads, store, spectra, colours }) {
    Object.assign(this, { host, canvas, chosen, heads, store, spectra, colours });
    this.context = canvas.getContext('2d', { alpha: false });
    this.painter = new RowPainter({ canvas, context: this.context, store, spectra, colours });
    this.offset = 0;
    this.chosenEntry = null;
    this.ownHeight = null;
    this.height = 0;
    this.lateSpectra = [];
    this.rangeFrom = null;
    this.spectraSeen = 0;
    this.topHz = 0;
    this.whole = true;
    this.drawnAppended = 0;
    this.drawnRebuilt = -1;
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
        this.painter.palette = paletteFor(this.rangeFrom, this.rangeFrom + SPAN_CODES, rgbOf(this.colours.panel));
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
      if (drive > this.painter.maxDriveMpa) {
        this.painter.maxDriveMpa = drive * 1.1;
        this.whole = true;
      }
    }
  }

  drawAll() {
    this.whole = false;
    this.rowPx = Math.max(1, Math.round(this.height * this.ratio));
    this.columns = columnsFor(this.canvas.clientWidth - 8, this.store.channels.length);
    this.painter.layOut({ columns: this.columns, rowPx: this.rowPx, height: this.height, ratio: this.ratio });
    this.context.fillStyle = this.colours.ground;
    this.context.fillRect(0, 0, this.canvas.width, this.canvas.height);
    const entries = this.store.entries;
    const rows = Math.min(entries.length - this.offset, Math.ceil(this.canvas.height / this.rowPx));
    for (let row = 0; row < rows; row += 1) this.painter.row(entries.length - 1 - this.offset - row, row * this.rowPx);
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
    for (let row = 0; row < Math.min(fresh, entries.length); row += 1) this.painter.row(entries.length - 1 - row, row * this.rowPx);
  }

  redrawRow(n) {
    const entries = this.store.entries;
    for (let place = entries.length - 1; place >= Math.max(0, entries.length - 70); place -= 1) {
      const entry = entries[place];
      if (entry.kind !== 'pulse' || entry.n !== n) continue;
      const row = entries.length - 1 - place - this.offset;
      if (row >= 0 && row * this.rowPx < this.canvas.height) this.painter.row(place, row * this.rowPx);
      return;
    }
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
