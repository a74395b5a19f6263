// Puts the parts together: feed in, parts of the page out, keys and buttons to acts. Drawing happens
// at most once a frame; sound and staleness are decided as messages come, since a page in the
// background gets no frames.

import { Acts } from './acts.js';
import { AlarmBook, soundWanted } from './alarms.js';
import { coloursOf } from './colours.js';
import { Details } from './details.js';
import { Dialogs, fillHelp } from './dialogs.js';
import { ExposureStrip } from './exposure_strip.js';
import { Feed } from './feed.js';
import { Heartbeat } from './heartbeat.js';
import { actOf, OF_THE_LIST } from './keys.js';
import { MarkBook } from './marks.js';
import { NowPart } from './now.js';
import { PulseList } from './pulse_list.js';
import { plural, rowSentence } from './present.js';
import { Sound } from './sound.js';
import { decodeSpectrum, shownUpToHz, SpectrumRing } from './spectra.js';
import { SpectrumPlot } from './spectrum_plot.js';
import { SpectrumSource } from './spectrum_source.js';
import { PulseStore } from './store.js';
import { TuningView } from './tuning_view.js';

const BASE = 'api/v1';
const TICK_MS = 200;
const ARMED_MS = 3000;
const TOAST_MS = 6000;
const root = document.documentElement;
const at = (id) => document.getElementById(id);
const nowS = () => performance.now() / 1000;

const colours = coloursOf(root);
const store = new PulseStore();
const spectra = new SpectrumRing();
const marks = new MarkBook();
const alarms = new AlarmBook();
const heartbeat = new Heartbeat();
const sound = new Sound(root);
const nowPart = new NowPart(document);
const list = new PulseList({ host: at('rows'), canvas: at('rows-canvas'), chosen: at('chosen'), heads: at('columns'), store, spectra, colours });
const plot = new SpectrumPlot(at('spectrum-canvas'), colours);
const strip = new ExposureStrip({ canvas: at('exposure-canvas'), store, colours, marks });
const acts = new Acts({ base: BASE, say: toast, storage: safeStorage() });
const source = new SpectrumSource(BASE, () => schedule());

const state = { head: null, status: null, link: { state: 'connecting', text: 'connecting to the daemon' }, channel: null, armed: null };
const dialogs = new Dialogs({ acts, say: toast, state });
const details = new Details({ acts, body: at('details-body'), open: () => dialogs.open('details'), isOpen: () => at('details').open, store });
const tuning = new TuningView({ acts, say: toast, schedule, state, openDialog: (id) => dialogs.open(id) });
const frames = { drawn: 0, lastMs: 0, slowestMs: 0, recentMs: [] };
let pending = false;

function safeStorage() {
  try {
    return globalThis.localStorage;
  } catch {
    return null;
  }
}

/** What the tests read: how much is held, how long drawing took. */
export function report() {
  return {
    entries: store.entries.length, pulses: store.pulses, spectra: spectra.held, spectraBytes: spectra.bytes,
    marks: marks.list.length, rowHeight: list.height, offset: list.offset, frames: { ...frames, recentMs: [...frames.recentMs] },
    tuningDrawn: tuning.drawn, newest: store.newest, run: state.head?.run ?? null, link: state.link.state,
  };
}

// ---- the feed

function liveUrl() {
  const url = new URL(`${BASE}/live`, document.baseURI);
  url.protocol = url.protocol === 'https:' ? 'wss:' : 'ws:';
  if (state.channel !== null) url.searchParams.set('channel', String(state.channel));
  return url.href;
}

const feed = new Feed(liveUrl(), {
  opened() {
    heartbeat.opened(nowS());
    state.link = { state: 'up', text: '' };
    schedule();
  },
  message: onMessage,
  binary(buffer) {
    const spectrum = decodeSpectrum(buffer);
    if (spectrum === null || state.head === null) return;
    spectra.put(spectrum.n, spectrum.densityDb);
    source.live(spectrum);
    list.spectrumCame(spectrum.n);
    schedule();
  },
  closed(againInS) {
    heartbeat.closed();
    state.link = { state: 'lost', text: `no connection to the daemon; trying again in ${againInS.toFixed(againInS < 1 ? 2 : 0)} s` };
    tick();
  },
});

function onMessage(message) {
  heartbeat.message(nowS());
  if (message.is === 'head') onHead(message);
  else if (message.is === 'rows') store.take(message);
  else if (message.is === 'event') onEvent(message.event);
  else if (message.is === 'beat') onBeat(message.status);
  else if (message.is === 'missed') onMissed(message);
  else if (message.is === 'bye') heartbeat.bye();
  schedule();
}

function onHead(head) {
  if (!Array.isArray(head.channels) || head.channels.length === 0) head.channels = [0];
  const former = state.head;
  store.allow(head.repeatability_db);
  if (former === null || former.run !== head.run) {
    store.clear(head.channels.slice(0, 64));
    marks.clear();
    alarms.clear();
    list.clear();
    source.clear();
    state.status = null;
    if (former !== null) tuning.forget();
  }
  if (former === null || former.run !== head.run || former.channel !== head.channel) {
    spectra.begin(head.bins, head.bin_hz, shownUpToHz(head));
    list.begin(shownUpToHz(head));
    plot.begin(head, shownUpToHz(head));
    source.clear();
  }
  if (former === null || former.live !== head.live) sound.allow(head.live !== false);
  state.head = head;
  state.channel = head.channel;
  strip.expected = head.expected_pulses;
  strip.changed();
  showChannels();
  void fetchEvents();
}

function onEvent(event) {
  if (event === null || typeof event !== 'object') return;
  const warning = alarms.fromEvent(event);
  if (warning !== null) sound.warn();
  const changes = marks.changes;
  marks.take(event);
  if (marks.changes !== changes) strip.changed();
  if (event.event === 'baseline closed' || event.event === 'baseline kept') source.forgetBaselines();
  if (event.event === 'limits') tuning.limitsChanged();
  tick();
}

function onBeat(status) {
  if (status === null || typeof status !== 'object') return;
  heartbeat.beat(nowS());
  state.status = status;
  if (alarms.fromStatus(status.alarms).length > 0) sound.warn();
  tick();
}

function onMissed(message) {
  if (message.pulses > 0) toast(`${plural(message.pulses, 'pulse')} not shown: the page was too slow`, 'fault');
  if (message.events > 0) void fetchEvents();
}

/** Events of before this connection: the marks of the session. They raise nothing. */
async function fetchEvents() {
  const run = state.head?.run;
  const answer = await acts.send('GET', '/events');
  if (!answer.ok || state.head?.run !== run || !Array.isArray(answer.answer.events)) return;
  const former = marks.newest;
  const live = marks.list;
  marks.clear();
  for (const event of answer.answer.events) if (event && typeof event === 'object') marks.take(event);
  for (const mark of live) if (!marks.list.some((one) => one.id === mark.id) && marks.newest < former) marks.list.push(mark);
  marks.newest = Math.max(marks.newest, former);
  strip.changed();
  schedule();
}

/** Staleness, sound and the words that follow from them; also without frames. */
function tick() {
  if (heartbeat.isDead(nowS())) {
    // A link that died without a word is not closed by anyone: try a new one, and again in 10 s.
    heartbeat.message(nowS());
    feed.open();
  }
  const stale = heartbeat.judge(nowS());
  sound.want(soundWanted({ stale: stale.stale, status: state.status, stopIsOpen: alarms.stopIsOpen }));
  nowPart.show({ head: state.head, status: state.status, link: state.link, stale, banner: alarms.banner() });
  showOwner();
  schedule();
}

// ---- drawing

function schedule() {
  if (pending) return;
  pending = true;
  requestAnimationFrame(draw);
}

function draw() {
  pending = false;
  const startMs = performance.now();
  if (tuning.isOpen) tuning.draw();
  else drawList();
  const tookMs = performance.now() - startMs;
  frames.drawn += 1;
  frames.lastMs = tookMs;
  frames.slowestMs = Math.max(frames.slowestMs, tookMs);
  frames.recentMs.push(tookMs);
  if (frames.recentMs.length > 600) frames.recentMs.splice(0, 300);
}

function drawList() {
  list.draw();
  strip.draw(list.looked);
  source.look(list.looked, list.chosenEntry === null, state.channel);
  plot.empty = list.looked === null;
  if (source.changed) plot.show(source.densityDb, source.baseline);
  source.changed = false;
  plot.colourRangeDb = list.colourRangeDb;
  plot.draw();
  showLooked();
}

let lookedShown = null;
function showLooked() {
  const entry = list.looked;
  const chosen = list.chosenEntry !== null;
  const key = `${entry?.n}${entry?.kind}${chosen}`;
  if (key === lookedShown) return;
  lookedShown = key;
  // The newest pulse changes all the time: only a chosen one is spoken.
  at('chosen-text').setAttribute('aria-live', chosen ? 'polite' : 'off');
  at('chosen-text').textContent = entry === null ? 'no pulse yet' : `${chosen ? 'chosen' : 'newest'}: ${rowSentence(entry)}`;
  if (entry === null) {
    at('strip-title').textContent = '';
    return;
  }
  // Other stages have no baseline to be over.
  at('strip-title').textContent = entry.stage === 'exposure' ? `exposure ${entry.exposure ?? ''}: dB over baseline, −3 to +15` : `stage ${entry.stage || '–'}: drive only`;
}

// ---- keys, buttons, dialogs

function toast(words, kind = 'said') {
  const box = document.createElement('div');
  box.dataset.kind = kind;
  box.textContent = words;
  at('toasts').append(box);
  while (at('toasts').childElementCount > 3) at('toasts').firstElementChild.remove();
  setTimeout(() => box.remove(), kind === 'fault' ? 2 * TOAST_MS : TOAST_MS);
}

async function acknowledge() {
  const { id, kind } = alarms.banner();
  if (id === null || kind === 'seen') {
    toast('no alarm to acknowledge');
    return;
  }
  if (await acts.acknowledge(id)) alarms.acknowledgedHere(id);
  tick();
}

function senderOwnsStage() {
  return state.status?.stream?.stage_from === 'sender';
}

function showOwner() {
  const owned = senderOwnsStage();
  at('stage-owner').textContent = owned ? 'sender sets the stage' : '';
  for (const button of at('stages').querySelectorAll('button')) {
    const here = button.dataset.act === `stage-${state.status?.stage}`;
    button.setAttribute('aria-pressed', here ? 'true' : 'false');
    button.setAttribute('aria-disabled', owned ? 'true' : 'false');
    button.title = owned ? 'the sender sets the stage' : 'press twice';
    button.dataset.armed = state.armed === button.dataset.act ? 'yes' : 'no';
  }
}

/** A stage cannot be taken back, so it takes two presses. */
function stageAct(act) {
  const stage = act.slice('stage-'.length);
  if (senderOwnsStage()) {
    toast('stage not changed: the sender sets the stage', 'fault');
    return;
  }
  if (state.armed === act) {
    state.armed = null;
    void acts.stage(stage);
  } else {
    state.armed = act;
    toast(`press again for stage ${stage}`);
    setTimeout(() => {
      if (state.armed === act) state.armed = null;
      showOwner();
    }, ARMED_MS);
  }
  showOwner();
}

function toggleSound() {
  if (sound.sounding) {
    sound.allow(false);
    toast('sound is off: alarms are silent', 'fault');
  } else {
    sound.allow(true);
  }
}

sound.changed = (sounding) => {
  at('sound').dataset.sounding = sounding ? 'yes' : 'no';
  at('sound-text').textContent = sounding ? 'sound on' : 'SOUND OFF';
  at('sound').setAttribute('aria-label', sounding ? 'sound is on' : 'SOUND OFF: press to hear alarms');
};
sound.show();

acts.changed = () => {
  at('undo').disabled = acts.lastUndoable === null;
};

function nextChannel() {
  const channels = state.head?.channels ?? [0];
  if (channels.length < 2) {
    toast('there is only one channel');
    return;
  }
  listenTo(channels[(channels.indexOf(state.channel) + 1) % channels.length]);
}

function listenTo(channel) {
  state.channel = channel;
  feed.open(liveUrl());
}

function showChannels() {
  const channels = state.head?.channels ?? [0];
  at('channel-choice').hidden = channels.length < 2;
  const options = channels.map((channel) => {
    const option = document.createElement('option');
    option.value = String(channel);
    option.textContent = String(channel);
    option.selected = channel === state.channel;
    return option;
  });
  at('channel').replaceChildren(...options);
}

at('channel').addEventListener('change', () => listenTo(Number(at('channel').value)));

const DOES = {
  acknowledge: () => void acknowledge(),
  injection: () => void acts.markInjection(),
  'injection-form': () => dialogs.askInjection(),
  undo: () => void acts.undo(),
  target: () => dialogs.askText('target', state.status?.target ?? ''),
  note: () => dialogs.askText('note', ''),
  pause: () => void acts.mark({ mark: 'pause' }, 'pause'),
  resume: () => void acts.mark({ mark: 'resume' }, 'resume'),
  abort: () => void acts.mark({ mark: 'abort' }, 'abort'),
  sound: toggleSound,
  older: () => list.move(1),
  newer: () => list.move(-1),
  'older-page': () => list.page(1),
  'newer-page': () => list.page(-1),
  oldest: () => list.move(Infinity),
  newest: () => list.follow(),
  taller: () => list.changeHeight(-1),
  lower: () => list.changeHeight(1),
  fit: () => list.fitHeight(),
  channel: nextChannel,
  tuning: () => tuning.toggle(),
  listen: () => dialogs.askListen(),
  details: () => void details.show({ head: state.head, status: state.status, entry: list.looked, isChosen: list.chosenEntry !== null, channel: state.channel }),
  help: () => dialogs.open('help'),
};

function act(name) {
  if (tuning.isOpen && OF_THE_LIST.has(name)) return;
  if (name.startsWith('stage-')) stageAct(name);
  else DOES[name]();
  schedule();
}

/** Whether a key belongs to the field it is pressed in. A field for digits leaves letters to the page. */
function isFieldKey({ target, key }) {
  if (!(target instanceof HTMLElement)) return false;
  if (target.matches('[data-digits]') && /^[a-z]$/i.test(key)) return false;
  return target.matches('input:not([type="range"], [type="radio"], [type="checkbox"]), select, textarea');
}

document.addEventListener('keydown', (event) => {
  if (document.querySelector('dialog[open]') === null && tuning.key(event)) return;
  const inField = isFieldKey(event);
  const name = actOf({ key: event.key, ctrlKey: event.ctrlKey, altKey: event.altKey, metaKey: event.metaKey, repeat: event.repeat, inField });
  const dialog = document.querySelector('dialog[open]');
  if (name === null || (dialog !== null && name !== 'acknowledge' && name !== 'sound')) return;
  event.preventDefault();
  act(name);
});

document.addEventListener('click', (event) => {
  const button = event.target instanceof Element ? event.target.closest('button[data-act]') : null;
  if (button !== null) act(button.dataset.act);
});

// A browser may play once a person has touched the page; any touch will do.
for (const kind of ['pointerdown', 'keydown']) {
  document.addEventListener(kind, (event) => {
    const isSwitch = event.key?.toLowerCase?.() === 's' || (event.target instanceof Element && event.target.closest('#sound'));
    if (sound.allowed && !sound.sounding && !isSwitch) void sound.start();
  });
}

at('rows').addEventListener('click', (event) => {
  list.chooseAt(event.clientY - at('rows-canvas').getBoundingClientRect().top);
  schedule();
});

at('rows').addEventListener('wheel', (event) => {
  const px = event.deltaMode === 0 ? event.deltaY : event.deltaY * 20;
  list.scrollTo(list.offset + Math.sign(px) * Math.max(1, Math.abs(px) / Math.max(1, list.height)));
  schedule();
}, { passive: true });

fillHelp();
showOwner();
void sound.start();
const resized = new ResizeObserver(() => schedule());
for (const id of ['rows', 'spectrum-canvas', 'exposure-canvas']) resized.observe(at(id));
const refitted = new ResizeObserver(() => tuning.resized());
for (const id of ['tuning-roc-plot', 'tuning-onset-plot']) refitted.observe(at(id));
setInterval(tick, TICK_MS);
feed.open();
