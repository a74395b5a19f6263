import assert from 'node:assert/strict';
import test from 'node:test';

import { Acts, injectionValues } from '../acts.js';
import { actOf, KEYS } from '../keys.js';

const press = (key, more = {}) => actOf({ key, ctrlKey: false, altKey: false, metaKey: false, repeat: false, inField: false, ...more });

function deskFor(answers) {
  const sent = [];
  const said = [];
  let timeMs = 0;
  const kept = new Map();
  const acts = new Acts({
    base: 'api/v1',
    say: (words, kind) => said.push({ words, kind }),
    storage: { getItem: (name) => kept.get(name) ?? null, setItem: (name, text) => kept.set(name, text) },
    clock: () => timeMs,
    fetcher: async (url, { method, body }) => {
      sent.push({ method, url, body: body === undefined ? undefined : JSON.parse(body) });
      const answer = answers.shift();
      if (answer === 'down') throw new Error('down');
      return { ok: answer.status < 300, status: answer.status, json: async () => answer.body };
    },
  });
  return { acts, sent, said, kept, pass: (ms) => { timeMs += ms; } };
}

test('every key means one act and the help lists it', () => {
  assert.equal(new Set(KEYS.map(([key]) => key)).size, KEYS.length);
  for (const [key, act, words] of KEYS) {
    assert.equal(press(key), act);
    assert.ok(words.length > 3);
  }
  assert.equal(press('I'), 'injection', 'also with caps lock');
});

test('keys in a field, with a modifier or held down do nothing', () => {
  assert.equal(press('i', { inField: true }), null);
  for (const modifier of ['ctrlKey', 'altKey', 'metaKey']) assert.equal(press('i', { [modifier]: true }), null);
  assert.equal(press('i', { repeat: true }), null);
  assert.equal(press('ArrowDown', { repeat: true }), 'older');
  assert.equal(press('q'), null);
});

test('values of an injection are read as numbers or refused by name', () => {
  assert.deepEqual(injectionValues({ agent: ' lipid ', volume_ul: '50,5', route: '', backdated_s: '2' }), { values: { agent: 'lipid', volume_ul: 50.5, backdated_s: 2 } });
  assert.match(injectionValues({ volume_ul: 'much' }).fault, /volume “much”/);
  assert.match(injectionValues({ backdated_s: '-1' }).fault, /seconds ago “-1”/);
});

test('one key marks an injection with the values kept from the form', async () => {
  const { acts, sent, said, kept } = deskFor([{ status: 202, body: { id: 4, holds_from: 'the next pulse' } }]);
  acts.keepInjection({ agent: 'lipid', volume_ul: 50 });
  await acts.markInjection();
  assert.deepEqual(sent, [{ method: 'POST', url: 'api/v1/marks', body: { mark: 'injection', agent: 'lipid', volume_ul: 50 } }]);
  assert.match(said[0].words, /marked: injection \(50 µL, lipid\)/);
  assert.deepEqual(JSON.parse(kept.get('simmer injection')), { agent: 'lipid', volume_ul: 50 });
});

test('a mark can be taken back for ten seconds, by its id', async () => {
  const { acts, sent, said, pass } = deskFor([{ status: 202, body: { id: 4 } }, { status: 202, body: { id: 5 } }, { status: 202, body: { id: 6 } }]);
  await acts.markInjection();
  pass(9000);
  await acts.undo();
  assert.deepEqual(sent[1].body, { mark: 'void', void: 4 });
  await acts.mark({ mark: 'pause' }, 'pause');
  pass(10001);
  await acts.undo();
  assert.equal(sent.length, 3);
  assert.match(said.at(-1).words, /nothing to take back/);
});

test('a refusal is said with the daemon’s own reason', async () => {
  const { acts, said } = deskFor([{ status: 422, body: { detail: 'volume_ul: −1 is below 0' } }, { status: 409, body: { detail: 'the sender sets the stage' } }, 'down']);
  await acts.markInjection();
  await acts.stage('baseline');
  await acts.acknowledge(3);
  assert.deepEqual(said.map((one) => one.kind), ['fault', 'fault', 'fault']);
  assert.match(said[0].words, /NOT marked: volume_ul/);
  assert.match(said[1].words, /the sender sets the stage/);
  assert.match(said[2].words, /cannot be reached/);
});
