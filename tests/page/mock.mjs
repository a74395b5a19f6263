// A daemon for the browser tests and screenshots: serves the page and speaks the HTTP and live feed of
// `simmer monitor` in scripted states. Everything it says is made up (see bench.mjs).
//
//   node mock.mjs [--state NAME] [--port N]      then open the address it prints

import { readFile } from 'node:fs/promises';
import { createServer } from 'node:http';
import path from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';

import * as bench from './bench.mjs';
import { SCENES } from './scenes.mjs';
import { tuningAnswer } from './tuning_bench.mjs';
import { upgrade } from './websocket.mjs';

const HERE = path.dirname(fileURLToPath(import.meta.url));
const WEB = path.resolve(HERE, '../../web');
const TYPES = { '.html': 'text/html; charset=utf-8', '.js': 'text/javascript; charset=utf-8', '.css': 'text/css; charset=utf-8', '.svg': 'image/svg+xml' };
const CAUTION = 'Research use only: not a medical device, no treatment planning, no safety interlock. Exposure limits, animal protocols and human use are decided by licensed people under local rules. An index limit such as MI 1.9 assumes that no bubbles were injected and is no comfort here.';
const HISTORY = 2000;

export class MockDaemon {
  constructor({ web = WEB } = {}) {
    this.web = web;
    this.peers = new Set();
    this.received = [];
    this.timers = new Set();
    this.reset('a1');
  }

  /** A new run of the daemon with nothing heard yet. */
  reset(run) {
    this.run = run;
    this.count = 0;
    this.history = [];
    this.spectra = new Map();
    this.events = [];
    this.alarms = [];
    this.nextAlarm = 1;
    this.nextMark = 1;
    this.random = bench.dice(17);
    this.beating = true;
    this.refuseStage = false;
    this.taken = new Map();
    this.listens = null;
    this.limits = { alarms: [], pending: [], before: [] };
    this.refuseLimits = null;
    // By session: {label, pulses, channels, advice}, or {label, missing} with what there is to record.
    this.recorded = new Map();
    this.head = {
      is: 'head', simmer: '0.1.0', run, live: true, source: 'simulated bench, not a measurement', caution: CAUTION,
      drive_frequency_hz: bench.F0_HZ, repetition_hz: 5, pulse_s: 0.004, drive_means: 'peak negative pressure at the focus, free field',
      expected_pulses: 600, false_alarms_per_exposure: 0.01, alpha: 2.785e-6, channels: [0], channel: 0, sign_of_life: 'fundamental',
      stable_from: ['ultraharmonic', 'subharmonic'], missing_after_s: 0.5, bin_hz: bench.BIN_HZ, bins: bench.BINS, bands: bench.bands(), calibration: null,
      alarms: [{ name: 'inertial', severity: 'stop', watches: 'broadband over the limit of the budget', latch: true },
        { name: 'not hearing', severity: 'warning', watches: 'not hearing', latch: false }],
      subject: 'flow phantom 3',
    };
    this.status = {
      running: true, live: true, stream: { state: 'waiting', name: '', device: '', stage_from: null }, stage: null, target: '', paused: false,
      exposure: null, last_pulse: null, pulses: 0,
      now: { word: 'WAITING', sentence: 'Waiting for a digitiser.', hearing: null, not_hearing: [], together: null, established: [] },
      last: null, margin: null, injection: null, pending: [], excess_dose_v2s: null,
      go_ahead: { go_on: false, why: ['no digitiser'] }, alarms: this.alarms, baseline: [],
      account: { received: 0, lost: 0, frames_lost: 0, crc: 0, late: 0, duplicates: 0, unfinished: 0 },
      kept: { rows: 0, spectra: 0, spectra_bytes: 0 }, folder: { path: 'out/s', failed: null },
    };
  }

  async listen(port = 0) {
    this.server = createServer((request, response) => {
      this.answer(request, response).catch((error) => this.problem(response, 500, String(error)));
    });
    this.server.on('upgrade', (request, socket) => this.join(request, socket));
    await new Promise((ready) => this.server.listen(port, '127.0.0.1', ready));
    this.every(250, () => this.beat());
    return `http://127.0.0.1:${this.server.address().port}/`;
  }

  every(ms, what) {
    const timer = setInterval(what, ms);
    this.timers.add(timer);
    return timer;
  }

  stopEvery(timer) {
    clearInterval(timer);
    this.timers.delete(timer);
  }

  async close() {
    for (const timer of this.timers) clearInterval(timer);
    this.drop();
    this.server.closeAllConnections();
    await new Promise((done) => this.server.close(done));
  }

  /** Cuts every page off; they come back by themselves. */
  drop() {
    for (const peer of this.peers) peer.destroy();
    this.peers.clear();
  }

  join(request, socket) {
    const url = new URL(request.url, 'http://localhost');
    if (url.pathname !== '/api/v1/live' || this.refusing) {
      socket.destroy();
      return;
    }
    const peer = upgrade(request, socket, (gone) => this.peers.delete(gone));
    if (peer === null) return;
    const asked = url.searchParams.get('channel');
    peer.channel = asked === null ? this.head.channels[0] : Number(asked);
    peer.text({ ...this.head, channel: peer.channel });
    for (const message of this.history.slice(-HISTORY)) this.tell(peer, message);
    this.peers.add(peer);
    if (this.beating) peer.text({ is: 'beat', status: this.status });
  }

  tell(peer, message) {
    peer.text(message);
    const kept = this.spectra.get(message.n);
    const place = this.head.channels.indexOf(peer.channel);
    if (kept !== undefined && kept.levels[place]) peer.binary(binary(message.n, kept.pulse, peer.channel, kept.levels[place]));
  }

  beat() {
    if (!this.beating) return;
    for (const peer of this.peers) peer.text({ is: 'beat', status: this.status });
  }

  event(event) {
    const whole = { n: this.events.length, ...event };
    this.events.push(whole);
    for (const peer of this.peers) peer.text({ is: 'event', event: whole });
    return whole;
  }

  raise({ name, severity, cause, channel = 0, latch = true }) {
    const alarm = { id: this.nextAlarm, name, severity, cause, channel, pulse: this.status.last_pulse, time_s: this.status.last?.time_s ?? 0, on: true, acknowledged: false, latch };
    this.nextAlarm += 1;
    this.alarms.push(alarm);
    this.event({ event: 'alarm raised', ...alarm, sinks: ['page', 'events'] });
    return alarm;
  }

  /** Sends one pulse in all its channels; `skip` leaves it untold (a page that was too slow). */
  pulse({ verdict = 'not_detected', drive_mpa = 0.16, stage = 'exposure', exposure = stage === 'exposure' ? 1 : null, target = '', reason = '', channelVerdicts = null, hole = false, skip = false, time_s = null, withSpectrum = true, lift_db = {}, cumulative = '' }) {
    const n = this.count;
    this.count += 1;
    const pulse = n + 1;
    const time = time_s ?? n / this.head.repetition_hz;
    const series = `${exposure} ${drive_mpa}`;
    if (stage === 'exposure' && verdict !== 'indeterminate') this.taken.set(series, (this.taken.get(series) ?? 0) + 1);
    const base = { taken: this.taken.get(series) ?? 0, lift_db, cumulative: stage === 'exposure' ? cumulative : '', pulse, time_s: time, target, exposure, stage, drive_mpa, verdict: stage === 'exposure' ? verdict : null, reason: stage === 'exposure' ? reason : `stage ${stage}`, since_injection_s: null, random: this.random };
    const rows = [];
    if (hole) rows.push({ ...bench.row({ ...base, channel: this.head.channels[0], verdict: null }), pulse: null, time_s: time - 0.2, reason: 'pulse missing' });
    const verdicts = this.head.channels.map((_, place) => channelVerdicts?.[place] ?? verdict);
    const levels = [];
    this.head.channels.forEach((channel, place) => {
      const row = bench.row({ ...base, channel, verdict: stage === 'exposure' ? verdicts[place] : null });
      const own = this.head.calibration?.channels.find((one) => one.channel === channel);
      rows.push(own === undefined ? row : { ...row, ...bench.calibrated(row, own) });
      levels.push(withSpectrum ? bench.spectrum(drive_mpa, stage === 'exposure' ? verdicts[place] : null, this.random) : null);
    });
    if (this.head.channels.length > 1) rows.push(bench.row({ ...base, channel: 'all' }));
    const message = { is: 'rows', n, rows };
    this.history.push(message);
    if (this.history.length > 25000) this.history.shift();
    if (withSpectrum) this.spectra.set(n, { pulse, drive_mpa, stage, levels });
    if (this.spectra.size > 2500) this.spectra.delete(this.spectra.keys().next().value);
    Object.assign(this.status, { last: rows.at(-1), last_pulse: pulse, pulses: this.count, stage });
    if (!skip) for (const peer of this.peers) this.tell(peer, message);
    return message;
  }

  async answer(request, response) {
    const url = new URL(request.url, 'http://localhost');
    const body = await bodyOf(request);
    const place = `${request.method} ${url.pathname}`;
    if (url.pathname.startsWith('/api/v1/')) {
      this.received.push({ place, query: url.search, body });
      this.api(place, url, body, response);
      return;
    }
    const file = url.pathname === '/' ? 'index.html' : url.pathname.slice(1);
    const whole = path.resolve(this.web, file);
    const type = TYPES[path.extname(whole)];
    if (!whole.startsWith(this.web + path.sep) || type === undefined) {
      this.problem(response, 404, 'no such file');
      return;
    }
    try {
      const bytes = await readFile(whole);
      response.writeHead(200, { 'content-type': type, 'content-security-policy': "default-src 'self'", 'x-content-type-options': 'nosniff', 'cache-control': 'no-store' });
      response.end(bytes);
    } catch {
      this.problem(response, 404, 'no such file');
    }
  }

  api(place, url, body, response) {
    const acknowledged = /^POST \/api\/v1\/alarms\/(\d+)\/acknowledge$/.exec(place);
    if (acknowledged) this.acknowledge(Number(acknowledged[1]), response);
    else if (place === 'GET /api/v1/status') json(response, 200, this.status);
    else if (place === 'GET /api/v1/events') json(response, 200, { events: this.events, missed: 0 });
    else if (place === 'GET /api/v1/pulses') this.pulses(url, response);
    else if (place === 'GET /api/v1/listen') this.listenLonger(url, response);
    else if (place === 'GET /api/v1/spectrum') this.spectrum(url, response);
    else if (place === 'POST /api/v1/marks') this.mark(body, response);
    else if (place === 'POST /api/v1/stage') this.stage(body, response);
    else if (place === 'GET /api/v1/tuning/sessions') json(response, 200, { sessions: [...this.recorded].map(([name, { label, pulses }]) => ({ name, label, pulses: name === 'now' && pulses ? pulses.quiet.length + pulses.bubbles.length : null })) });
    else if (place === 'POST /api/v1/tuning') this.tune(body, response);
    else if (place === 'GET /api/v1/limits') json(response, 200, this.limits);
    else if (place === 'PUT /api/v1/limits') this.setLimits(body, response);
    else this.problem(response, 404, 'no such resource');
  }

  acknowledge(id, response) {
    const alarm = this.alarms.find((one) => one.id === id);
    if (!alarm) {
      this.problem(response, 404, `there is no alarm ${id}`);
      return;
    }
    alarm.acknowledged = true;
    if (!alarm.on || alarm.latch) {
      this.alarms.splice(this.alarms.indexOf(alarm), alarm.on ? 0 : 1);
    }
    this.event({ event: 'alarm acknowledged', id, name: alarm.name });
    json(response, 200, { id, acknowledged: true });
  }

  spectrum(url, response) {
    const n = Number(url.searchParams.get('pulse')) - 1;
    const kept = this.spectra.get(n);
    const place = this.head.channels.indexOf(Number(url.searchParams.get('channel')));
    if (!kept || place < 0) {
      this.problem(response, 404, 'the spectrum of this pulse is no longer kept');
      return;
    }
    json(response, 200, { pulse: n + 1, channel: this.head.channels[place], bin_hz: bench.BIN_HZ, density_db: [...kept.levels[place]], baseline: kept.stage === 'exposure' ? bench.baselineCurves(kept.drive_mpa) : null });
  }

  pulses(url, response) {
    const after = Number(url.searchParams.get('after') ?? -Infinity);
    const limit = Number(url.searchParams.get('limit') ?? 1000);
    const messages = this.history.filter((message) => message.rows.some((row) => row.pulse > after)).slice(0, limit);
    json(response, 200, { pulses: messages.flatMap((message) => message.rows), missed: 0 });
  }

  listenLonger(url, response) {
    const db = Number(url.searchParams.get('db') ?? NaN);
    if (!Number.isFinite(db) || db <= 0) {
      this.problem(response, 422, `db: ${url.searchParams.get('db')} is not a finite number above 0`);
      return;
    }
    if (this.listens === null) {
      this.problem(response, 404, 'no exposure pulse has been heard');
      return;
    }
    json(response, 200, this.listens);
  }

  mark(body, response) {
    const kinds = ['injection', 'target', 'pause', 'resume', 'abort', 'note', 'void'];
    if (!kinds.includes(body?.mark)) {
      this.problem(response, 422, `mark: “${body?.mark}” is none of ${kinds.join(', ')}`);
      return;
    }
    const id = this.nextMark;
    this.nextMark += 1;
    this.event({ event: 'mark', pulse: this.count + 1, time_s: this.count / this.head.repetition_hz, target: this.status.target, id, by: 'page', backdated_s: 0, text: '', ...body });
    json(response, 202, { id, holds_from: 'the next pulse' });
  }

  stage(body, response) {
    if (this.refuseStage || this.status.stream.stage_from === 'sender') {
      this.problem(response, 409, 'the sender sets the stage of this stream');
      return;
    }
    this.status.stage = body.stage;
    json(response, 202, {});
  }

  tune(body, response) {
    const session = this.recorded.get(body?.session);
    if (session === undefined) this.problem(response, 404, `there is no session “${body?.session}”`);
    else if (session.missing) this.problem(response, 404, session.missing);
    else json(response, 200, tuningAnswer({ ...session, body, expectedPulses: this.head.expected_pulses }));
  }

  /** Other limits wait for the next pulse; what they replaced stays at hand. */
  setLimits(body, response) {
    if (this.refuseLimits !== null) {
      this.problem(response, 409, this.refuseLimits);
      return;
    }
    this.limits.pending = body.alarms;
    this.limits.before = body.alarms.map(({ name }) => this.limits.alarms.find((one) => one.name === name));
    json(response, 202, { alarms: body.alarms, holds_from: 'the next pulse' });
  }

  /** The next pulse came: what waited holds. */
  holdLimits() {
    const { pending } = this.limits;
    this.limits.alarms = this.limits.alarms.map((one) => pending.find((other) => other.name === one.name) ?? one);
    this.limits.pending = [];
    this.event({ event: 'limits', pulse: this.count, time_s: this.count / this.head.repetition_hz, target: this.status.target, alarms: pending });
  }

  problem(response, status, detail) {
    response.writeHead(status, { 'content-type': 'application/problem+json' });
    response.end(JSON.stringify({ type: 'about:blank', title: String(status), status, detail }));
  }
}

function json(response, status, body) {
  response.writeHead(status, { 'content-type': 'application/json' });
  response.end(JSON.stringify(body));
}

async function bodyOf(request) {
  const parts = [];
  for await (const part of request) parts.push(part);
  if (parts.length === 0) return null;
  return JSON.parse(Buffer.concat(parts).toString('utf8'));
}

/** The live binary message: u64 n, u64 pulse, u32 channel, u32 bins, float32 levels, little-endian. */
export function binary(n, pulse, channel, levels) {
  const bytes = Buffer.alloc(24 + 4 * levels.length);
  bytes.writeBigUInt64LE(BigInt(n), 0);
  bytes.writeBigUInt64LE(BigInt(pulse), 8);
  bytes.writeUInt32LE(channel, 16);
  bytes.writeUInt32LE(levels.length, 20);
  const view = new DataView(bytes.buffer, bytes.byteOffset + 24);
  for (let bin = 0; bin < levels.length; bin += 1) view.setFloat32(4 * bin, levels[bin], true);
  return bytes;
}

if (process.argv[1] && import.meta.url === pathToFileURL(process.argv[1]).href) {
  const option = (name, otherwise) => {
    const place = process.argv.indexOf(name);
    return place < 0 ? otherwise : process.argv[place + 1];
  };
  const scene = option('--state', 'running');
  if (!Object.hasOwn(SCENES, scene)) {
    process.stderr.write(`no state “${scene}”; there are: ${Object.keys(SCENES).join(', ')}\n`);
    process.exit(2);
  }
  const daemon = new MockDaemon();
  SCENES[scene](daemon);
  process.stdout.write(`${await daemon.listen(Number(option('--port', '0')))}\n`);
}
