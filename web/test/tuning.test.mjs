import assert from 'node:assert/strict';
import test from 'node:test';

import { alarmChanges, nearestOnRoc, ruleOf, stepsFor, Tuning, typedDb } from '../tuning.js';
import { driveRange, ticks } from '../tuning_plots.js';
import { alarmLimit, changeCaution, count, driveRows, falseAlarmSentence, interval, limitSentence, percent, restsOn, verdictParts } from '../tuning_words.js';

const settle = () => new Promise((done) => setImmediate(done));

/** An answer as the contract has it, for a limit; what is over falls evenly as the limit rises from 0 to 4 dB. */
function answerTo(body, more = {}) {
  const held = { harmonic: { db: 3, m_of_n: '1 of 1', proposed_db: 3, proposed_m_of_n: '1 of 1' }, ultraharmonic: null, subharmonic: { db: null, m_of_n: '2 of 3', proposed_db: null, proposed_m_of_n: null }, broadband: { db: 1.2, m_of_n: '1 of 1', proposed_db: 1.2, proposed_m_of_n: '1 of 1' } };
  for (const [quantity, limit] of Object.entries(body.limits ?? {})) held[quantity] = { ...held[quantity], ...limit };
  const { db } = held[body.quantity] ?? {};
  const share = (most) => Math.max(0, Math.min(1, (most - db) / most));
  return {
    session: body.session, channel: body.channel ?? 0, channels: [0], quantity: body.quantity, expected_pulses: 600, n_quiet: 90, n_bubbles: 180, left_out: 0, limits: held, range_db: [0, 4],
    quiet: { over: 0, of: 90, share: 0, share_upper: 0.0327, per_exposure: 0, per_exposure_upper: 19.6 }, drives: [], verdicts: [],
    roc: { points: [[0, 0], [0, 0.5], [1, 1]], at: [share(2), share(4)], auc: 0.9, auc_lo: 0.8, auc_hi: 0.95 },
    onset: { fit: 'maximum likelihood', why: null, curve: [], drive50_mpa: 0.148, drive50_lo: 0.139, drive50_hi: 0.157, drive90_mpa: 0.171, drive90_lo: 0.16, drive90_hi: 0.19 }, advice: [], ...more,
  };
}

/** A daemon whose answers to POST /tuning are held back until they are released, oldest first. */
function bench({ held = false, alarms = [], before = [], sessions = [{ name: 'now', label: 'this session', pulses: 3 }], answer = answerTo } = {}) {
  const sent = [];
  const waiting = [];
  const late = [];
  const limits = { alarms, pending: [], before };
  let put = { ok: true, status: 202, answer: {} };
  const send = async (method, path, body) => {
    sent.push({ method, path, body: body === undefined ? undefined : structuredClone(body) });
    if (path === '/tuning/sessions') return { ok: true, status: 200, answer: { sessions } };
    if (path === '/limits') return method === 'PUT' ? put : { ok: true, status: 200, answer: limits };
    const result = answer(body);
    const whole = result.status ? result : { ok: true, status: 200, answer: result };
    if (!held) return whole;
    return new Promise((done) => waiting.push(() => done(whole)));
  };
  const tuning = new Tuning({ send, changed: () => {}, later: (act) => late.push(act) });
  const asked = () => sent.filter((one) => one.path === '/tuning').map((one) => one.body);
  return { tuning, sent, asked, waiting, late, limits, refuse: (why) => { put = { ok: false, status: 409, why }; } };
}

test('the first question leaves limits and channel to the daemon', async () => {
  const { tuning, asked } = bench();
  await tuning.begin();
  assert.deepEqual(asked(), [{ session: 'now', quantity: 'broadband' }]);
  assert.deepEqual(tuning.limit, { db: 1.2, m_of_n: '1 of 1' });
  assert.equal(tuning.channel, 0);
});

test('a moved limit is asked for, and only that of the quantity that was moved', async () => {
  const { tuning, asked } = bench();
  await tuning.begin();
  tuning.step(1);
  await settle();
  tuning.step(-1, true);
  await settle();
  tuning.setRule(2, 3);
  await settle();
  // 4 dB over 200 steps are 0.02 dB.
  assert.deepEqual(asked().slice(1).map((one) => one.limits), [
    { broadband: { db: 1.22, m_of_n: '1 of 1' } }, { broadband: { db: 1.02, m_of_n: '1 of 1' } }, { broadband: { db: 1.02, m_of_n: '2 of 3' } },
  ]);
  assert.equal(asked().at(-1).channel, 0);
});

test('steps end at the range; a typed limit may lie outside it and is not thrown back', async () => {
  const { tuning } = bench();
  await tuning.begin();
  for (let k = 0; k < 40; k += 1) tuning.step(1, true);
  assert.equal(tuning.limit.db, 4);
  tuning.setDb(7.5);
  await settle();
  tuning.step(1);
  assert.equal(tuning.limit.db, 7.5);
  tuning.step(-1);
  assert.equal(tuning.limit.db, 7.48);
});

test('home goes back to the proposed limit and rule, at once and in the question', async () => {
  const { tuning, asked } = bench();
  await tuning.begin();
  tuning.setDb(2);
  tuning.setRule(2, 3);
  await settle();
  assert.ok(tuning.propose());
  assert.deepEqual(tuning.limit, { db: 1.2, m_of_n: '1 of 1' });
  await settle();
  assert.deepEqual(asked().at(-1), { session: 'now', quantity: 'broadband', channel: 0 });
  tuning.chooseQuantity('subharmonic');
  await settle();
  assert.ok(!tuning.propose(), 'nothing is proposed for it');
});

test('a quantity without a proposal can be given a limit, one that was never measured can not', async () => {
  const { tuning, asked } = bench();
  await tuning.begin();
  tuning.chooseQuantity('subharmonic');
  await settle();
  assert.equal(tuning.limit, null);
  tuning.step(-1);
  await settle();
  assert.deepEqual(asked().at(-1).limits, { subharmonic: { db: 3.98, m_of_n: '2 of 3' } });
  tuning.chooseQuantity('ultraharmonic');
  await settle();
  const before = asked().length;
  tuning.setDb(1);
  await settle();
  assert.equal(asked().length, before);
});

test('one question is under way at a time and the last one wins', async () => {
  const { tuning, asked, waiting } = bench({ held: true });
  void tuning.begin();
  await settle();
  waiting.shift()();
  await settle();
  for (const db of [1.3, 1.4, 1.5, 1.6]) tuning.setDb(db);
  await settle();
  assert.deepEqual(asked().slice(1).map((one) => one.limits.broadband.db), [1.3]);
  waiting.shift()();
  await settle();
  assert.deepEqual(asked().slice(1).map((one) => one.limits.broadband.db), [1.3, 1.6]);
  assert.equal(waiting.length, 1);
  waiting.shift()();
  await settle();
  assert.equal(tuning.shown.limits.broadband.db, 1.6);
  assert.ok(!tuning.busy);
});

test('an answer that comes after that of a newer question is passed over', async () => {
  const { tuning, waiting } = bench({ held: true });
  void tuning.begin();
  await settle();
  tuning.chooseSession('session-a');
  await settle();
  assert.equal(waiting.length, 2, 'another session does not wait for the old one');
  waiting[1]();
  await settle();
  waiting[0]();
  await settle();
  assert.equal(tuning.shown.session, 'session-a');
});

test('another session forgets the channel and keeps the limits a person set', async () => {
  const { tuning, asked } = bench();
  await tuning.begin();
  tuning.chooseChannel('all');
  await settle();
  tuning.setDb(2);
  await settle();
  tuning.chooseSession('session-a');
  await settle();
  assert.deepEqual(asked().at(-1), { session: 'session-a', quantity: 'broadband', limits: { broadband: { db: 2, m_of_n: '1 of 1' } } });
});

test('a daemon that does not answer is given up, and what was wanted meanwhile is asked', async () => {
  const { tuning, asked, waiting, late } = bench({ held: true });
  void tuning.begin();
  await settle();
  waiting.shift()();
  await settle();
  tuning.setDb(1.3);
  tuning.setDb(1.4);
  await settle();
  assert.deepEqual(asked().slice(1).map((one) => one.limits.broadband.db), [1.3]);
  late.at(-1)();
  assert.match(tuning.fault, /no answer from the daemon for 10 s/);
  assert.equal(tuning.shown, null);
  await settle();
  assert.deepEqual(asked().slice(1).map((one) => one.limits.broadband.db), [1.3, 1.4]);
  waiting[0]();
  await settle();
  assert.equal(tuning.shown, null, 'the answer that was given up is not taken');
  waiting[1]();
  await settle();
  assert.equal(tuning.shown.limits.broadband.db, 1.4);
  assert.equal(tuning.fault, '');
});

test('what the daemon says against it is kept, and no number stays beside it', async () => {
  const why = 'session-b has no quiet pulses: record a baseline of 30 pulses a drive';
  const { tuning } = bench({ answer: (body) => (body.session === 'session-b' ? { ok: false, status: 404, why } : answerTo(body)) });
  await tuning.begin();
  assert.ok(tuning.shown !== null);
  tuning.chooseSession('session-b');
  await settle();
  assert.equal(tuning.fault, why);
  assert.equal(tuning.shown, null);
  tuning.chooseSession('now');
  await settle();
  assert.equal(tuning.fault, '');
});

test('a place on the ROC is found again as a limit, with few questions', async () => {
  const { tuning, asked } = bench();
  await tuning.begin();
  for (const wanted of [0.3, 3.1, 1.7]) {
    const before = asked().length;
    tuning.seek([Math.max(0, (2 - wanted) / 2), (4 - wanted) / 4]);
    assert.equal(tuning.seeking.place[1], (4 - wanted) / 4);
    for (let k = 0; k < 200 && tuning.busy; k += 1) await settle();
    assert.ok(Math.abs(tuning.limit.db - wanted) <= 0.02, `${tuning.limit.db} for ${wanted}`);
    assert.equal(tuning.shown.limits.broadband.db, tuning.limit.db, 'what is shown is that of the limit');
    assert.equal(tuning.seeking, null);
    assert.ok(asked().length - before <= 16, `${asked().length - before} questions`);
  }
});

test('a search over shares that go in steps ends at the step', async () => {
  const steps = (body) => {
    const answer = answerTo(body);
    const { db } = answer.limits.broadband;
    return { ...answer, roc: { ...answer.roc, at: [0, db < 1.5 ? 1 : db < 2.5 ? 0.4 : 0] } };
  };
  const { tuning, asked } = bench({ answer: steps });
  await tuning.begin();
  tuning.seek([0, 0.5]);
  for (let k = 0; k < 200 && tuning.busy; k += 1) await settle();
  assert.ok(tuning.limit.db >= 1.5 && tuning.limit.db < 2.5, `${tuning.limit.db}`);
  assert.deepEqual(tuning.shown.roc.at, [0, 0.4]);
  assert.ok(asked().length <= 20);
});

test('a key press ends a search', async () => {
  const { tuning, waiting } = bench({ held: true });
  void tuning.begin();
  await settle();
  waiting.shift()();
  await settle();
  tuning.seek([0.5, 0.8]);
  await settle();
  tuning.setDb(1);
  for (let k = 0; k < 4; k += 1) {
    waiting.shift()?.();
    await settle();
  }
  assert.deepEqual(tuning.limit, { db: 1, m_of_n: '1 of 1' });
  assert.equal(tuning.shown.limits.broadband.db, 1);
});

const ALARMS = [
  { name: 'inertial', quantity: 'broadband', limit: 'budget' },
  { name: 'loud', quantity: 'broadband', limit: { db: 6 }, off_db: 4.8, m_of_n: '2 of 3' },
  { name: 'dense', quantity: 'broadband', limit: { v2_per_hz: 1e-12 }, off_db: -2, m_of_n: '1 of 1' },
  { name: 'stable', quantity: 'ultraharmonic', limit: 'budget' },
];

test('alarms of the quantity change, each with its own gap, 0.5 dB where it had none', () => {
  const changes = alarmChanges(ALARMS, { broadband: { db: 1.2, m_of_n: '1 of 1' } });
  assert.deepEqual(changes.map((one) => one.to), [
    { name: 'inertial', quantity: 'broadband', limit: { db: 1.2 }, off_db: 0.7, m_of_n: '1 of 1' },
    { name: 'loud', quantity: 'broadband', limit: { db: 1.2 }, off_db: 0, m_of_n: '1 of 1' },
    { name: 'dense', quantity: 'broadband', limit: { db: 1.2 }, off_db: -0.8, m_of_n: '1 of 1' },
  ]);
  assert.deepEqual(alarmChanges([{ name: 'x', quantity: 'broadband', limit: { db: 1.2 }, off_db: 0.2, m_of_n: '1 of 1' }], { broadband: { db: 1.2, m_of_n: '1 of 1' } }), [], 'it holds already');
});

test('what changes is the shown quantity and those that were moved; nothing is put by working it out', async () => {
  const { tuning, sent } = bench({ alarms: ALARMS });
  await tuning.begin();
  assert.deepEqual(tuning.changes().map((one) => one.name), ['inertial', 'loud', 'dense']);
  tuning.chooseQuantity('harmonic');
  await settle();
  assert.deepEqual(tuning.changes(), []);
  tuning.chooseQuantity('broadband');
  tuning.setDb(2);
  tuning.chooseQuantity('harmonic');
  await settle();
  assert.deepEqual(tuning.changes().map((one) => one.name), ['inertial', 'loud', 'dense']);
  assert.ok(sent.every((one) => one.method !== 'PUT'));
});

test('an alarm whose change waits for a pulse is compared as it will be', async () => {
  const { tuning, limits } = bench({ alarms: ALARMS });
  limits.pending = [{ name: 'inertial', quantity: 'broadband', limit: { db: 1.2 }, off_db: 0.7, m_of_n: '1 of 1' }];
  await tuning.begin();
  assert.deepEqual(tuning.changes().map((one) => one.name), ['loud', 'dense']);
});

test('limits are put as they are and read again; going back puts those of before', async () => {
  const before = [{ name: 'loud', quantity: 'broadband', limit: 'budget' }];
  const { tuning, sent, refuse } = bench({ alarms: ALARMS, before });
  await tuning.begin();
  assert.deepEqual(tuning.changesBack(), [{ name: 'loud', quantity: 'broadband', from: ALARMS[1], to: before[0] }]);
  sent.length = 0;
  const result = await tuning.put(tuning.changesBack().map((one) => one.to));
  assert.ok(result.ok);
  assert.deepEqual(sent, [{ method: 'PUT', path: '/limits', body: { alarms: before } }, { method: 'GET', path: '/limits', body: undefined }]);
  refuse('a replay takes no limits');
  assert.equal((await tuning.put(before)).why, 'a replay takes no limits');
});

test('steps of the keys are round and fine for any range', () => {
  assert.deepEqual(stepsFor([-1, 3]), { fine: 0.02, coarse: 0.2 });
  assert.deepEqual(stepsFor([-4, 12]), { fine: 0.1, coarse: 1 });
  assert.deepEqual(stepsFor([0, 10]), { fine: 0.05, coarse: 0.5 });
  assert.deepEqual(stepsFor([0, 0.2]), { fine: 0.01, coarse: 0.1 });
});

test('a typed limit is read with comma and sign, or refused', () => {
  assert.deepEqual(typedDb(' 1,25 '), { db: 1.25 });
  assert.deepEqual(typedDb('−0.5'), { db: -0.5 });
  for (const text of ['', 'much', '301', 'Infinity']) assert.match(typedDb(text).fault, /not a number of dB within ±300/);
  assert.deepEqual(ruleOf('2 of 3'), { m: 2, n: 3 });
  assert.equal(ruleOf('two of three'), null);
});

test('a pointer finds the nearest place of the ROC, between its points as well', () => {
  const points = [[0, 0], [0, 0.8], [1, 1]];
  assert.deepEqual(nearestOnRoc(points, -0.2, 0.4), [0, 0.4]);
  assert.deepEqual(nearestOnRoc(points, 2, 2), [1, 1]);
  const [x, y] = nearestOnRoc(points, 0.5, 0.5);
  assert.ok(Math.abs(y - (0.8 + 0.2 * x)) < 1e-12 && x > 0.4 && x < 0.5);
  assert.equal(nearestOnRoc([], 0.5, 0.5), null);
});

test('the limit is said in one sentence', () => {
  const body = { session: 'now', quantity: 'broadband' };
  assert.equal(limitSentence(answerTo(body)), 'At +1.20 dB: 0 of 90 quiet pulses over; at most 3.3 % a pulse; bubbles found half the time from 0.148 MPa (0.139 to 0.157), nine times in ten from 0.171 MPa.');
  const nothing = { fit: 'none', why: 'fewer than 3 drives', curve: [], drive50_mpa: null, drive90_mpa: null };
  assert.match(limitSentence(answerTo(body, { onset: nothing })), /a pulse; no onset: fewer than 3 drives\.$/);
  const firth = { ...answerTo(body).onset, fit: 'firth', why: 'record levels between 0.12 and 0.16 MPa', drive50_lo: null, drive90_mpa: null };
  assert.match(limitSentence(answerTo(body, { onset: firth })), /half the time from 0\.148 MPa \(up to 0\.157\) \(penalised fit: record levels between 0\.12 and 0\.16 MPa\)\.$/);
  // Not twice what the advice says already.
  assert.match(limitSentence(answerTo(body, { onset: firth, advice: [firth.why] })), /\(up to 0\.157\) \(penalised fit\)\.$/);
  // With a rule of m of n, what is counted are still single pulses.
  assert.match(limitSentence(answerTo({ ...body, limits: { broadband: { db: 1, m_of_n: '2 of 3' } } })), /^At \+1\.00 dB, 2 of 3: .* single pulses with bubbles over half the time from/);
  assert.equal(limitSentence(answerTo({ session: 'now', quantity: 'ultraharmonic' })), 'There is no limit for ultraharmonic in this session.');
});

test('false alarms of an exposure are said with their upper bound, misses with what was left out', () => {
  const answer = answerTo({ session: 'now', quantity: 'broadband' }, { left_out: 3, drives: [{ drive_mpa: 0.1, pulses: 30, missed: 12 }, { drive_mpa: 0.2, pulses: 30, missed: 0 }] });
  assert.equal(falseAlarmSentence(answer), 'False alarms per exposure of 600 pulses: none by these quiet pulses, at most 20. Missed by broadband: 12 of 60 with bubbles (3 left out).');
  assert.equal(restsOn(answer, 'this session'), 'this session, channel 0: 90 quiet and 180 bubbles pulses, 3 left out');
});

test('shares, counts and intervals are written as they can be read', () => {
  assert.deepEqual([0, 0.0327, 0.5, 0.00042, 3e-7, 0.996, 1, null].map(percent), ['0 %', '3.3 %', '50 %', '0.042 %', '3.0e−5 %', '99.6 %', '100 %', '–']);
  assert.deepEqual([0, 19.62, 0.13, 0.0021, 1.2e-7, 600, NaN].map(count), ['0', '20', '0.13', '0.0021', '1.2e−7', '600', '–']);
  assert.deepEqual([interval(0.1, 0.2), interval(0.1, null), interval(null, 0.2), interval(null, null)], [' (0.100 to 0.200)', ' (0.100 or more)', ' (up to 0.200)', '']);
});

test('an alarm’s limit is written with its kind, and what a change gives up is said', () => {
  assert.deepEqual(ALARMS.map(alarmLimit), ['by the budget', '+6.00 dB, 2 of 3, off at +4.80 dB', '1.00e−12 V²/Hz, 1 of 1', 'by the budget']);
  const cautions = alarmChanges(ALARMS, { broadband: { db: 1, m_of_n: '1 of 1' } }).map(changeCaution);
  assert.match(cautions[0], /leaves the promise of the false-alarm budget/);
  assert.equal(cautions[1], '');
  assert.match(cautions[2], /density it holds now is given up/);
  assert.equal(changeCaution({ from: ALARMS[1], to: { ...ALARMS[0] } }), '');
});

test('drives of verdicts and misses stand in one table, and every pulse has a part of the bar', () => {
  const rows = driveRows({ drives: [{ drive_mpa: 0.2, missed: 1, pulses: 9 }], verdicts: [{ drive_mpa: 0.2, pulses: 10 }, { drive_mpa: 0.1, pulses: 5 }] });
  assert.deepEqual(rows.map((row) => [row.drive_mpa, row.misses?.missed ?? null, row.verdict.pulses]), [[0.1, null, 5], [0.2, 1, 10]]);
  assert.deepEqual(verdictParts({ pulses: 10, not_detected: 3, stable: 0, inertial: 5 }), [['not_detected', 3], ['inertial', 5], ['none', 2]]);
});

test('axes have round ticks within their range', () => {
  assert.deepEqual(ticks([0.05, 0.31], 400), [0.05, 0.1, 0.15, 0.2, 0.25, 0.3]);
  assert.deepEqual(driveRange({ drives: [], onset: { curve: [] } }), null);
  const [low, high] = driveRange({ drives: [{ drive_mpa: 0.1 }, { drive_mpa: 0.2 }], onset: { curve: [[0.1, 0], [0.3, 1]] } });
  assert.ok(low < 0.1 && low > 0 && high > 0.3 && high < 0.35);
});
