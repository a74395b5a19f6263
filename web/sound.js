// Plays the tones. `document.documentElement.dataset.sound` says what can be heard: `off` (the browser
// does not play, or the person switched it off), `quiet`, `stop`, `warning` or `falling`;
// `data-sound-wanted` says what should be heard.

import { loops, samplesOf } from './tones.js';

export class Sound {
  constructor(root, AudioContextClass = globalThis.AudioContext) {
    this.root = root;
    this.AudioContextClass = AudioContextClass;
    this.context = null;
    this.allowed = true;
    this.wanted = 'quiet';
    this.playing = null;
    this.beepsUntil = 0;
    this.buffers = new Map();
    this.changed = () => {};
    this.show();
  }

  /** Whether the browser plays now. */
  get sounding() {
    return this.allowed && this.context?.state === 'running';
  }

  /** Tries to play; browsers refuse until a person has touched the page. */
  async start() {
    if (!this.AudioContextClass) return;
    if (this.context === null) {
      this.context = new this.AudioContextClass();
      this.context.addEventListener('statechange', () => this.apply());
    }
    if (this.context.state !== 'running') {
      // Without a gesture the promise stays pending or fails; the state says what came of it.
      this.context.resume().then(() => this.apply(), () => this.apply());
    }
    this.apply();
  }

  /** Sound on or off, by the person or because this is a replay. */
  allow(on) {
    this.allowed = on;
    if (on) void this.start();
    this.apply();
  }

  /** What should go on: `stop`, `falling` or `quiet`. */
  want(kind) {
    if (kind === this.wanted) return;
    this.wanted = kind;
    this.apply();
  }

  /** Two beeps, unless a stop alarm is louder. */
  warn() {
    if (!this.sounding || this.wanted === 'stop') return;
    this.source('warning').start();
    this.beepsUntil = performance.now() + 600;
    this.show();
    setTimeout(() => this.show(), 620);
  }

  source(kind) {
    if (!this.buffers.has(kind)) {
      const samples = samplesOf(kind, this.context.sampleRate);
      const buffer = this.context.createBuffer(1, samples.length, this.context.sampleRate);
      buffer.copyToChannel(samples, 0);
      this.buffers.set(kind, buffer);
    }
    const source = this.context.createBufferSource();
    source.buffer = this.buffers.get(kind);
    source.loop = loops(kind);
    source.connect(this.context.destination);
    return source;
  }

  apply() {
    const kind = this.sounding ? this.wanted : 'quiet';
    if (this.playing !== null && this.playing.kind !== kind) {
      this.playing.source.stop();
      this.playing.source.disconnect();
      this.playing = null;
    }
    if (this.playing === null && kind !== 'quiet') {
      this.playing = { kind, source: this.source(kind) };
      this.playing.source.start();
    }
    this.show();
  }

  show() {
    let state = 'off';
    if (this.sounding) {
      state = this.playing?.kind ?? 'quiet';
      if (state !== 'stop' && performance.now() < this.beepsUntil) state = 'warning';
    }
    this.root.dataset.sound = state;
    this.root.dataset.soundWanted = this.wanted;
    this.changed(this.sounding);
  }
}
