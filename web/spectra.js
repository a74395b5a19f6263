// Spectra of the newest pulses, small enough to keep: each pooled to at most 1024 columns (the largest
// bin of each, so that lines survive) over the frequencies of the band plan, in half-decibel steps.
// A ring by the pulse's count `n`: an entry is overwritten when its place comes round again. Pure.

/** Spectra that are held. */
export const MOST_SPECTRA = 4096;
const MOST_COLUMNS = 1024;
const STEP_DB = 0.5;

/**
 * A live binary message: `{n, pulse, channel, densityDb}`, or null when its length does not fit what
 * it says. Layout, little-endian: u64 n, u64 pulse, u32 channel, u32 bins, bins float32.
 */
export function decodeSpectrum(buffer) {
  if (buffer.byteLength < 24) return null;
  const view = new DataView(buffer);
  const bins = view.getUint32(20, true);
  if (buffer.byteLength !== 24 + 4 * bins) return null;
  const densityDb = new Float32Array(bins);
  for (let bin = 0; bin < bins; bin += 1) densityDb[bin] = view.getFloat32(24 + 4 * bin, true);
  return {
    n: Number(view.getBigUint64(0, true)),
    pulse: Number(view.getBigUint64(8, true)),
    channel: view.getUint32(16, true),
    densityDb,
  };
}

/** Highest frequency worth drawing, Hz: a little over the last band of the plan. */
export function shownUpToHz(head) {
  const top = (head.bins - 1) * head.bin_hz;
  const edges = [];
  for (const line of head.bands?.lines ?? []) edges.push(line.high_hz);
  for (const pair of head.bands?.broadband_hz ?? []) edges.push(pair[1]);
  const highest = Math.max(...edges, 3 * (head.drive_frequency_hz || 0));
  return Number.isFinite(highest) && highest > 0 ? Math.min(top, 1.08 * highest) : top;
}

/** Largest of `values[from..to)`, NaN when none is a number. */
export function poolLargest(values, from, to) {
  let largest = NaN;
  for (let place = from; place < to; place += 1) {
    if (!(values[place] <= largest) && values[place] === values[place]) largest = values[place];
  }
  return largest;
}

export class SpectrumRing {
  constructor(most = MOST_SPECTRA) {
    this.most = most;
    this.begin(1, 1, 1);
  }

  /** Starts anew for spectra of `bins` bins of `binHz`, of which those up to `topHz` are kept. */
  begin(bins, binHz, topHz) {
    this.usedBins = Math.max(1, Math.min(bins, Math.round(topHz / binHz) + 1));
    this.columns = Math.min(this.usedBins, MOST_COLUMNS);
    this.codes = null;
    this.countAt = new Float64Array(this.most).fill(-1);
    this.floorDb = null;
    this.held = 0;
  }

  put(n, densityDb) {
    if (densityDb.length < this.usedBins || !Number.isSafeInteger(n)) return;
    if (this.floorDb === null) {
      let smallest = Infinity;
      for (let bin = 0; bin < this.usedBins; bin += 1) if (densityDb[bin] < smallest) smallest = densityDb[bin];
      if (!Number.isFinite(smallest)) return;
      this.floorDb = Math.floor(smallest) - 30;
      this.codes = new Uint8Array(this.most * this.columns);
    }
    const place = n % this.most;
    if (this.countAt[place] < 0) this.held += 1;
    this.countAt[place] = n;
    const base = place * this.columns;
    for (let column = 0; column < this.columns; column += 1) {
      const from = Math.floor((column * this.usedBins) / this.columns);
      const to = Math.max(from + 1, Math.floor(((column + 1) * this.usedBins) / this.columns));
      this.codes[base + column] = this.code(poolLargest(densityDb, from, to));
    }
  }

  code(db) {
    if (!Number.isFinite(db)) return 0;
    return Math.max(1, Math.min(255, 1 + Math.round((db - this.floorDb) / STEP_DB)));
  }

  /** The codes of pulse `n`, or null when it is not held. */
  get(n) {
    const place = n % this.most;
    if (this.codes === null || this.countAt[place] !== n) return null;
    return this.codes.subarray(place * this.columns, (place + 1) * this.columns);
  }

  /** Range of codes that the colours span: from the lower quartile to near the top of one spectrum. */
  range(n) {
    const row = this.get(n);
    if (row === null) return null;
    const sorted = Uint8Array.from(row).sort();
    const low = sorted[Math.floor(sorted.length * 0.1)];
    const high = sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * 0.998))];
    return [Math.max(1, low - 6), Math.min(255, Math.max(high, low + 40))];
  }

  get bytes() {
    return this.codes?.byteLength ?? 0;
  }
}
