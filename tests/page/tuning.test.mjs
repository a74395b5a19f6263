// Browser tests of the tuning view, against the mock daemon: node --test tests/page/tuning.test.mjs

import assert from 'node:assert/strict';
import { after, before, describe, test } from 'node:test';

import { openBrowser, openPage, reportOf } from './browser.mjs';
import { misfits, ready, smallTexts } from './general.mjs';
import { stepsFor } from '../../web/tuning.js';
import { MockDaemon } from './mock.mjs';
import { SCENES } from './scenes.mjs';
import { lowerShare, tuningAnswer, upperShare } from './tuning_bench.mjs';

const SIZES = [{ width: 1280, height: 800 }, { width: 1024, height: 600 }];
let browser;
before(async () => {
  browser = await openBrowser();
});
after(async () => browser.close());

/** Runs `check` with a mock in scene `name`, changed by `prepare`, and the view open on it. */
async function onView(check, { name = 'tuning', prepare = () => {}, viewport, open = true } = {}) {
  const daemon = new MockDaemon();
  SCENES[name](daemon);
  prepare(daemon);
  const url = await daemon.listen();
  const opened = await openPage(browser.context, url, viewport);
  try {
    await ready(opened.page);
    if (open) {
      await opened.page.keyboard.press('t');
      await answered(opened.page);
    }
    await check({ daemon, url, ...opened });
    // That an answer was an error is what some of the tests are about.
    assert.deepEqual(opened.complaints.filter((words) => !/Failed to load resource/.test(words)), []);
  } finally {
    await opened.page.close();
    await daemon.close();
  }
}

const answered = (page) => page.waitForFunction(() => document.querySelectorAll('#tuning-rows tr').length > 0);
const asked = (daemon) => daemon.received.filter((one) => one.place === 'POST /api/v1/tuning').map((one) => one.body);
const puts = (daemon) => daemon.received.filter((one) => one.place === 'PUT /api/v1/limits').map((one) => one.body);
const text = (page, id) => page.textContent(`#${id}`);
const toSay = (page, id, words) => page.waitForFunction(([name, wanted]) => document.getElementById(name).textContent.includes(wanted), [id, words]);
const data = (page, name) => page.evaluate((key) => document.documentElement.dataset[key], name);
const until = (page, name, value) => page.waitForFunction(([key, wanted]) => document.documentElement.dataset[key] === wanted, [name, value], { timeout: 5000 });
const focused = (page) => page.evaluate(() => document.activeElement.id);

/** What the mock's daemon says to the newest question. */
function newest(daemon) {
  const body = asked(daemon).at(-1);
  return tuningAnswer({ ...daemon.recorded.get(body.session), body });
}

async function untilSent(what, count) {
  const deadline = Date.now() + 5000;
  while (what().length < count && Date.now() < deadline) await new Promise((done) => setTimeout(done, 10));
  assert.equal(what().length, count);
  return what();
}

/** Holds the daemon's answers back; what is pushed is called to let one go. */
function holdAnswers(daemon) {
  const answer = daemon.tune.bind(daemon);
  const waiting = [];
  daemon.tune = (body, response) => waiting.push(() => answer(body, response));
  return waiting;
}

/** Things of the view that are cut, stick out, lie over each other, or whose text is too small. */
function flaws(page) {
  return page.evaluate(() => {
    const found = [];
    const view = document.getElementById('tuning');
    const all = view.getBoundingClientRect();
    const visible = (element) => element.getClientRects().length > 0;
    for (const element of view.querySelectorAll('button, label, select, #tuning-rule, #tuning-auc, #tuning-says p, th, td, .verdicts b, #tuning-legend span, #tuning-holds-head')) {
      if (!visible(element) || element.closest('.unseen')) continue;
      const box = element.getBoundingClientRect();
      if (element.scrollWidth > element.clientWidth + 1 && getComputedStyle(element).display !== 'inline') found.push(`${element.id || element.textContent} is cut`);
      if (box.left < all.left || box.right > all.right + 0.5) found.push(`${element.id || element.textContent} sticks out`);
      if (!element.closest('.scrolls') && box.bottom > all.bottom + 0.5) found.push(`${element.id || element.textContent} is under the edge`);
    }
    for (const part of view.querySelectorAll('.verdicts i')) if (part.getBoundingClientRect().width < part.querySelector('b').getBoundingClientRect().width - 0.5) found.push(`a count is cut: ${part.textContent}`);
    const rows = [...view.children].filter((element) => visible(element) && !element.matches('.unseen')).map((element) => [element.id, element.getBoundingClientRect()]);
    for (let k = 1; k < rows.length; k += 1) if (rows[k][1].top < rows[k - 1][1].bottom - 0.5) found.push(`${rows[k][0]} lies over ${rows[k - 1][0]}`);
    if (rows.at(-1)[1].bottom > all.bottom + 0.5) found.push('the view is cut below');
    for (const row of ['tuning-choices', 'tuning-limit']) {
      const boxes = [...document.getElementById(row).children].map((element) => element.getBoundingClientRect());
      for (let k = 1; k < boxes.length; k += 1) if (boxes[k].left < boxes[k - 1].right - 0.5) found.push(`in ${row} part ${k} lies over the one before`);
    }
    for (const plot of view.querySelectorAll('figure > svg')) {
      const frame = plot.getBoundingClientRect();
      const texts = [...plot.querySelectorAll('text')].map((element) => [element.textContent, element.getBoundingClientRect(), Number.parseFloat(getComputedStyle(element).fontSize)]);
      for (const [words, box, px] of texts) {
        if (px < 12) found.push(`${words} is ${px} px`);
        if (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 3 || box.bottom > frame.bottom + 3) found.push(`${words} is outside of ${plot.id}`);
      }
      texts.forEach(([words, box], k) => texts.slice(k + 1).forEach(([others, other]) => {
        // Boxes have room above and below their letters.
        if (box.left < other.right && other.left < box.right && box.top + 3 < other.bottom - 3 && other.top + 3 < box.bottom - 3) found.push(`${words} lies over ${others} in ${plot.id}`);
      }));
    }
    return found;
  });
}

/** Pixels of the page whose colour is more green than anything else, by more than `more` of 255. */
async function greenPixels(page) {
  const png = (await page.screenshot()).toString('base64');
  return page.evaluate(async (bytes) => {
    const image = await createImageBitmap(new Blob([Uint8Array.from(atob(bytes), (letter) => letter.charCodeAt(0))]));
    const context = new OffscreenCanvas(image.width, image.height).getContext('2d');
    context.drawImage(image, 0, 0);
    const { data: pixels } = context.getImageData(0, 0, image.width, image.height);
    let count = 0;
    for (let k = 0; k < pixels.length; k += 4) if (pixels[k + 1] > Math.max(pixels[k], pixels[k + 2]) + 24) count += 1;
    return count;
  }, png);
}

describe('the mock counts', () => {
  test('its bounds are Clopper and Pearson’s', () => {
    // COMPUTED by the closed forms: 1 - 0.05**(1/90) for none of 90, 0.025**(1/30) for all of 30.
    assert.ok(Math.abs(upperShare(0, 90, 0.05) - (1 - 0.05 ** (1 / 90))) < 1e-9);
    assert.ok(Math.abs(lowerShare(30, 30, 0.025) - 0.025 ** (1 / 30)) < 1e-9);
  });
});

describe('the view', () => {
  test('T opens it in place of the list, with the fixed part above it; T and Escape close it', () => onView(async ({ page, daemon }) => {
    assert.ok(await page.isVisible('#tuning'));
    assert.ok(!(await page.isVisible('#list')) && !(await page.isVisible('#beside')));
    for (const id of ['word', 'no-stop', 'banner', 'sentence', 'caution']) assert.ok(await page.isVisible(`#${id}`), id);
    assert.equal(await text(page, 'no-stop'), 'This page does not stop the drive.');
    daemon.status.now = { ...daemon.status.now, word: 'STABLE', sentence: 'Stable: ultraharmonic 4.0 dB over its limit.' };
    await until(page, 'word', 'STABLE');
    await page.keyboard.press('t');
    assert.ok(!(await page.isVisible('#tuning')) && (await page.isVisible('#list')));
    for (const id of ['tuning-switch', 'tuning-close']) {
      await page.click('#tuning-switch');
      assert.equal(await page.getAttribute('#tuning-switch', 'aria-pressed'), 'true');
      await page.click(`#${id}`);
      assert.ok(!(await page.isVisible('#tuning')), id);
    }
    for (const id of ['tuning-slider', 'tuning-db', 'tuning-session']) {
      await page.keyboard.press('t');
      await page.focus(`#${id}`);
      await page.keyboard.press('Escape');
      assert.ok(!(await page.isVisible('#tuning')), `Escape in ${id}`);
    }
  }));

  test('it begins with this session and what is proposed, and says what that means', () => onView(async ({ page, daemon }) => {
    assert.deepEqual(asked(daemon), [{ session: 'now', quantity: 'broadband' }]);
    assert.deepEqual(await page.$$eval('#tuning-session option', (all) => all.map((one) => one.textContent)), ['this session: 270 pulses', '2024-03-12-b', '2024-03-12-a']);
    const answer = newest(daemon);
    const { quiet, onset } = answer;
    assert.equal(await text(page, 'tuning-sentence'), `At +${answer.limits.broadband.db.toFixed(2)} dB: 0 of 90 quiet pulses over; at most 3.3 % a pulse; bubbles found half the time from ${onset.drive50_mpa.toFixed(3)} MPa (${onset.drive50_lo.toFixed(3)} to ${onset.drive50_hi.toFixed(3)}), nine times in ten from ${onset.drive90_mpa.toFixed(3)} MPa.`);
    const missed = answer.drives.reduce((sum, one) => sum + one.missed, 0);
    assert.equal(await text(page, 'tuning-alarms'), `False alarms per exposure of 600 pulses: none by these quiet pulses, at most ${Math.round(quiet.per_exposure_upper)}. Missed by broadband: ${missed} of 180 with bubbles (12 left out).`);
    const rows = await page.$$eval('#tuning-rows tr', (all) => all.map((row) => [...row.children].map((cell) => cell.textContent)));
    assert.deepEqual(rows.map((row) => [row[0], row[2]]), answer.drives.map((one) => [one.drive_mpa.toFixed(3), `${one.missed} of 30`]));
    assert.deepEqual(await page.$$eval('#tuning-advice li', (all) => all.map((one) => one.textContent)), daemon.recorded.get('now').advice);
    assert.match(await text(page, 'tuning-holds'), /inertial \(stop\), broadband: by the budget.*loud, broadband: \+6\.00 dB, 2 of 3, off at \+5\.00 dB.*stable \(warning\), ultraharmonic: by the budget/);
  }));

  test('slider, keys, a typed number and Home move the limit: the question and all numbers follow', () => onView(async ({ page, daemon }) => {
    const proposed = newest(daemon).limits.broadband.db;
    const grid = (db) => Number(db.toFixed(2));
    let count = 1;
    let db = proposed;
    const step = stepsFor(newest(daemon).range_db).fine;
    for (const [key, steps] of [['ArrowRight', 1], ['ArrowUp', 1], ['ArrowLeft', -1], ['PageUp', 10], ['ArrowDown', -1], ['PageDown', -10], ['PageUp', 10]]) {
      await page.keyboard.press(key);
      count += 1;
      db = grid(db + steps * step);
      const bodies = await untilSent(() => asked(daemon), count);
      assert.deepEqual(bodies.at(-1), { session: 'now', quantity: 'broadband', channel: 0, limits: { broadband: { db, m_of_n: '1 of 1' } } }, key);
      await toSay(page, 'tuning-sentence', `At +${db.toFixed(2)} dB:`);
      assert.equal(await page.inputValue('#tuning-db'), String(db));
      assert.equal(Number(await page.inputValue('#tuning-slider')), db);
    }
    await page.$eval('#tuning-slider', (slider) => {
      slider.value = '3.5';
      slider.dispatchEvent(new Event('input', { bubbles: true }));
    });
    await toSay(page, 'tuning-sentence', 'At +3.50 dB:');
    const missed = async () => Number(/Missed by broadband: (\d+)/.exec(await text(page, 'tuning-alarms'))[1]);
    const before = await missed();
    await page.fill('#tuning-db', '-0,4');
    await page.keyboard.press('Enter');
    await toSay(page, 'tuning-sentence', 'At −0.40 dB:');
    assert.equal(asked(daemon).at(-1).limits.broadband.db, -0.4);
    assert.ok((await missed()) < before, 'a lower limit misses less');
    assert.doesNotMatch(await text(page, 'tuning-sentence'), / 0 of 90 quiet/);
    await page.fill('#tuning-db', 'much');
    await page.keyboard.press('Enter');
    await toSay(page, 'toasts', 'limit not changed: “much” is not a number of dB within ±300');
    assert.equal(await page.inputValue('#tuning-db'), '-0.4');
    await page.focus('#tuning-slider');
    await page.keyboard.press('Home');
    await toSay(page, 'tuning-sentence', `At +${proposed.toFixed(2)} dB:`);
    assert.deepEqual(asked(daemon).at(-1), { session: 'now', quantity: 'broadband', channel: 0 });
  }));

  test('arrows in the field of digits go on from what was typed; letters in it belong to the page', () => onView(async ({ page, daemon }) => {
    await page.fill('#tuning-db', '2');
    await page.keyboard.press('ArrowUp');
    await toSay(page, 'tuning-sentence', `At +${(2 + stepsFor(newest(daemon).range_db).fine).toFixed(2)} dB:`);
    daemon.raise({ name: 'inertial', severity: 'stop', cause: 'broadband over the limit of the budget' });
    await until(page, 'sound', 'stop');
    await page.keyboard.press('a');
    await until(page, 'sound', 'quiet');
    await page.keyboard.press('1');
    assert.equal(await page.$('button[data-armed=yes]'), null, 'digits do not');
    await page.keyboard.press('t');
    assert.ok(!(await page.isVisible('#tuning')));
  }));

  test('m of n changes the rule, the false alarms and the bars', () => onView(async ({ page, daemon }) => {
    await page.fill('#tuning-db', '0.2');
    await page.keyboard.press('Enter');
    await toSay(page, 'tuning-sentence', 'At +0.20 dB:');
    const expected = async () => Number(/: ([\d.]+) expected/.exec(await text(page, 'tuning-alarms'))[1]);
    const single = await expected();
    await page.selectOption('#tuning-n', '4');
    await page.selectOption('#tuning-m', '3');
    await toSay(page, 'tuning-sentence', 'At +0.20 dB, 3 of 4:');
    assert.deepEqual(asked(daemon).at(-1).limits, { broadband: { db: 0.2, m_of_n: '3 of 4' } });
    assert.ok((await expected()) < single);
    await page.selectOption('#tuning-n', '2');
    await toSay(page, 'tuning-sentence', 'At +0.20 dB, 2 of 2:');
    const bars = await page.$$eval('.verdicts', (all) => all.map((bar) => bar.getAttribute('aria-label')));
    const words = { not_detected: 'not detected', stable: 'stable', inertial: 'inertial' };
    assert.deepEqual(bars, newest(daemon).verdicts.map((one) => Object.keys(words).filter((kind) => one[kind] > 0).map((kind) => `${one[kind]} ${words[kind]}`).join(', ')));
  }));

  test('another quantity, session and channel are asked for with the limits that were set', () => onView(async ({ page, daemon }) => {
    await page.keyboard.press('ArrowUp');
    const own = (await untilSent(() => asked(daemon), 2)).at(-1).limits;
    await page.check('#tuning-ultraharmonic', { force: true });
    await toSay(page, 'tuning-alarms', 'Missed by ultraharmonic:');
    await toSay(page, 'tuning-sentence', ', 2 of 3:');
    assert.deepEqual(asked(daemon).at(-1), { session: 'now', quantity: 'ultraharmonic', channel: 0, limits: own });
    await page.selectOption('#tuning-session', '2024-03-12-b');
    await toSay(page, 'tuning-sentence', 'of 60 quiet pulses');
    assert.deepEqual(asked(daemon).at(-1), { session: '2024-03-12-b', quantity: 'ultraharmonic', limits: own });
    assert.deepEqual(await page.$$eval('#tuning-channel option', (all) => all.map((one) => [one.textContent, one.selected])), [['0', false], ['1', false], ['all', true]]);
    for (const channel of [1, 'all']) {
      await page.selectOption('#tuning-channel', JSON.stringify(channel));
      await page.waitForTimeout(100);
      assert.equal(asked(daemon).at(-1).channel, channel);
    }
    assert.match(await text(page, 'tuning-broadband-limit'), new RegExp(`^\\+${own.broadband.db.toFixed(2)} · 1 of 1$`), 'the limit of before is kept');
  }));

  test('one question is under way, and the last one is asked when it is answered', () => onView(async ({ page, daemon }) => {
    const waiting = holdAnswers(daemon);
    const before = asked(daemon).length;
    for (let k = 0; k < 12; k += 1) await page.keyboard.press('ArrowUp');
    await page.waitForTimeout(200);
    assert.equal(asked(daemon).length, before + 1);
    waiting.shift()();
    await untilSent(() => waiting, 1);
    assert.equal(asked(daemon).length, before + 2);
    waiting.shift()();
    const last = asked(daemon).at(-1).limits.broadband.db;
    assert.equal(last, Number(await page.inputValue('#tuning-db')));
    await toSay(page, 'tuning-sentence', `At +${last.toFixed(2)} dB:`);
  }));

  test('the last question wins when answers come out of order', () => onView(async ({ page, daemon }) => {
    const waiting = holdAnswers(daemon);
    await page.keyboard.press('ArrowUp');
    await untilSent(() => waiting, 1);
    await page.selectOption('#tuning-session', '2024-03-12-b');
    await untilSent(() => waiting, 2);
    waiting[1]();
    await toSay(page, 'tuning-sentence', 'of 60 quiet pulses');
    waiting[0]();
    await page.waitForTimeout(300);
    assert.match(await text(page, 'tuning-sentence'), /of 60 quiet pulses/);
    assert.equal((await page.$$('#tuning-rows tr')).length, 6);
  }));

  test('an answer that lets wait is marked', () => onView(async ({ page, daemon }) => {
    const waiting = holdAnswers(daemon);
    await page.keyboard.press('ArrowUp');
    await page.waitForFunction(() => document.getElementById('tuning').dataset.behind === 'yes');
    waiting[0]();
    await page.waitForFunction(() => document.getElementById('tuning').dataset.behind === 'no');
  }));

  test('the operating point is dragged along the ROC, and the limit with it', () => onView(async ({ page, daemon }) => {
    const box = await (await page.$('#tuning-roc-plot .ground')).boundingBox();
    const point = async () => page.$eval('#tuning-roc-plot .point', (circle) => [Number(circle.getAttribute('cx')), Number(circle.getAttribute('cy'))]);
    const began = Number(await page.inputValue('#tuning-db'));
    const [left, top] = await point();
    await page.mouse.move(box.x + 2, box.y + box.height / 2);
    await page.mouse.down();
    for (const share of [0.2, 0.5, 0.8]) await page.mouse.move(box.x + share * box.width, box.y + (1 - share) * box.height * 0.5, { steps: 4 });
    await page.waitForTimeout(300);
    await page.mouse.up();
    await page.waitForFunction((db) => Number(document.getElementById('tuning-db').value) < db - 0.5, began);
    const [x, y] = await point();
    assert.ok(x > left + 20 && y < top, 'it went up and to the right');
    const db = Number(await page.inputValue('#tuning-db'));
    const [wrong, found] = newest(daemon).roc.at;
    assert.equal(newest(daemon).limits.broadband.db, db);
    // 0.8 of the way to the right, on the curve.
    assert.ok(wrong > 0.6 && wrong < 0.95, `${wrong} of the quiet pulses over`);
    assert.ok(found > wrong, `${found}`);
    await toSay(page, 'tuning-sentence', `dB: ${Math.round(90 * wrong)} of 90 quiet pulses over`);
  }));

  test('plots hold what was answered: points with intervals, the curve, the two drives, the operating point', () => onView(async ({ page, daemon }) => {
    const { drives, onset, roc } = newest(daemon);
    assert.equal((await page.$$('#tuning-onset-plot .drive')).length, drives.length);
    assert.equal((await page.$$('#tuning-onset-plot .whisker')).length, drives.length);
    assert.ok((await page.getAttribute('#tuning-onset-plot .curve', 'd')).split('L').length === onset.curve.length);
    const named = await page.$$eval('#tuning-onset-plot .named', (all) => all.map((one) => one.textContent));
    const within = (kind) => `${onset[`${kind}_mpa`].toFixed(3)} (${onset[`${kind}_lo`].toFixed(3)} to ${onset[`${kind}_hi`].toFixed(3)})`;
    assert.deepEqual(named, [`half ${within('drive50')}`, `9 in 10 ${within('drive90')}`]);
    const place = await page.evaluate(() => {
      const ground = document.querySelector('#tuning-roc-plot .ground');
      const circle = document.querySelector('#tuning-roc-plot .point');
      const value = (element, name) => Number(element.getAttribute(name));
      return [(value(circle, 'cx') - value(ground, 'x')) / value(ground, 'width'), 1 - (value(circle, 'cy') - value(ground, 'y')) / value(ground, 'height')];
    });
    place.forEach((share, k) => assert.ok(Math.abs(share - roc.at[k]) < 0.01, `${place}`));
    assert.equal(await text(page, 'tuning-auc'), `ROC, area ${roc.auc.toFixed(2)} (${roc.auc_lo.toFixed(2)} to ${roc.auc_hi.toFixed(2)})`);
    assert.match(await text(page, 'tuning-onset-text'), /peak negative pressure at the focus, free field/);
    // Without an onset there is no curve and no drive, and the sentence says why.
    await page.fill('#tuning-db', '40');
    await page.keyboard.press('Enter');
    await toSay(page, 'tuning-sentence', 'no onset: no pulse is over the limit at any drive.');
    assert.equal(await page.$('#tuning-onset-plot .curve, #tuning-onset-plot .beyond, #tuning-onset-plot .named'), null);
    assert.equal((await page.$$('#tuning-onset-plot .drive')).length, drives.length);
  }));

  test('verdicts have a fill and a number of their own, not a colour alone, and nothing is green', () => onView(async ({ page }) => {
    const fills = await page.evaluate(() => Object.fromEntries([...document.querySelectorAll('.verdicts i')].map((part) => [part.dataset.verdict, getComputedStyle(part).backgroundImage])));
    assert.equal(new Set(Object.values(fills)).size, 3, JSON.stringify(fills));
    assert.equal(fills.not_detected, 'none');
    const signs = await page.$$eval('#tuning-legend path', (all) => all.map((one) => one.getAttribute('d')));
    assert.equal(new Set(signs).size, 3);
    const box = await (await page.$('#tuning-legend svg')).boundingBox();
    assert.ok(box.width >= 12 && box.height >= 12);
    assert.equal(await greenPixels(page), 0);
  }));

  test('an error of the daemon is said in its words and no number stays', () => onView(async ({ page, daemon }) => {
    await page.selectOption('#tuning-session', '2024-03-12-a');
    await toSay(page, 'tuning-fault', daemon.recorded.get('2024-03-12-a').missing);
    assert.equal(await text(page, 'tuning-sentence'), '');
    assert.equal((await page.$$('#tuning-rows tr, #tuning-roc-plot .curve, #tuning-onset-plot .drive')).length, 0);
    assert.ok(await page.isDisabled('#tuning-use'));
    await page.selectOption('#tuning-session', 'now');
    await answered(page);
    assert.equal(await text(page, 'tuning-fault'), '');
    daemon.recorded.delete('now');
    await page.click('#tuning-again');
    await toSay(page, 'tuning-fault', 'there is no session “now”');
  }));

  test('words of the daemon never become markup', () => onView(async ({ page }) => {
    await toSay(page, 'tuning-advice', '<b id="planted">');
    assert.equal(await page.$('[id^=planted]'), null);
    await page.click('#tuning-use');
    assert.match(await text(page, 'limits-list'), /<b id="planted2">/);
    assert.equal(await page.$('[id^=planted]'), null);
  }, {
    prepare: (daemon) => {
      daemon.recorded.get('now').advice = ['<b id="planted">x</b>'];
      daemon.recorded.set('<i id="planted3">', { label: '<i id="planted4">' });
      daemon.limits.alarms[0].name = '<b id="planted2">';
    },
  }));

  test('another run of the daemon begins anew', () => onView(async ({ page, daemon }) => {
    await page.keyboard.press('ArrowUp');
    await untilSent(() => asked(daemon), 2);
    daemon.reset('b2');
    SCENES.tuning(daemon);
    daemon.received.length = 0;
    daemon.drop();
    await untilSent(() => asked(daemon), 1);
    assert.deepEqual(asked(daemon)[0], { session: 'now', quantity: 'broadband' });
  }));
});

describe('using limits', () => {
  test('nothing is put before it is confirmed; then exactly what was shown', () => onView(async ({ page, daemon }) => {
    await page.fill('#tuning-db', '1.2');
    await page.keyboard.press('Enter');
    await toSay(page, 'tuning-sentence', 'At +1.20 dB:');
    await page.click('#tuning-use');
    assert.deepEqual(await page.$$eval('#limits-list label', (all) => all.map((one) => one.textContent)), [
      'inertial (stop), broadband: by the budget → +1.20 dB, 1 of 1, off at +0.70 dB', 'loud, broadband: +6.00 dB, 2 of 3, off at +5.00 dB → +1.20 dB, 1 of 1, off at +0.20 dB',
    ]);
    assert.deepEqual(await page.$$eval('#limits-list .caution', (all) => all.map((one) => one.textContent)), ['A limit set by hand leaves the promise of the false-alarm budget.']);
    assert.match(await text(page, 'limits-what'), /rest on this session.*channel 0: 90 quiet and 180 bubbles pulses, 12 left out\. They hold on every channel/);
    assert.equal(await focused(page), 'limits-leave', 'the harmless button has the focus');
    await page.keyboard.press('Enter');
    assert.ok(!(await page.isVisible('#limits-dialog')));
    await page.click('#tuning-use');
    await page.keyboard.press('Escape');
    await page.waitForTimeout(200);
    assert.deepEqual(puts(daemon), []);
    assert.ok(await page.isVisible('#tuning'), 'Escape closed the question only');
    await page.click('#tuning-use');
    assert.equal(await text(page, 'limits-do'), 'change 2 alarms');
    await page.click('#limits-do');
    const [body] = await untilSent(() => puts(daemon), 1);
    assert.deepEqual(body, {
      alarms: [
        { name: 'inertial', quantity: 'broadband', limit: { db: 1.2 }, off_db: 0.7, m_of_n: '1 of 1' },
        { name: 'loud', quantity: 'broadband', limit: { db: 1.2 }, off_db: 0.2, m_of_n: '1 of 1' },
      ],
    });
    await page.waitForSelector('#limits-dialog', { state: 'hidden' });
    await toSay(page, 'toasts', 'limits changed: inertial, loud, from the next pulse on');
    await toSay(page, 'tuning-holds', 'from the next pulse on: inertial (stop), broadband: +1.20 dB, 1 of 1, off at +0.70 dB');
    daemon.holdLimits();
    await page.waitForFunction(() => !document.getElementById('tuning-holds').textContent.includes('from the next pulse on'));
    assert.match(await text(page, 'tuning-holds'), /^inertial \(stop\), broadband: \+1\.20 dB/);
    await page.click('#tuning-use');
    assert.equal(await text(page, 'limits-what'), 'No alarm on broadband would change.');
    assert.ok(!(await page.isVisible('#limits-do')));
  }));

  test('an alarm can be left out', () => onView(async ({ page, daemon }) => {
    await page.fill('#tuning-db', '1.2');
    await page.keyboard.press('Enter');
    await toSay(page, 'tuning-sentence', 'At +1.20 dB:');
    await page.click('#tuning-use');
    await page.uncheck('#limits-list li:first-child input');
    assert.equal(await text(page, 'limits-do'), 'change 1 alarm');
    await page.uncheck('#limits-list li:last-child input');
    assert.ok(await page.isDisabled('#limits-do'));
    await page.check('#limits-list li:last-child input');
    await page.click('#limits-do');
    assert.deepEqual((await untilSent(() => puts(daemon), 1))[0].alarms.map((one) => one.name), ['loud']);
  }));

  test('an alarm on a density is changed only when it is chosen', () => onView(async ({ page }) => {
    await page.click('#tuning-use');
    assert.deepEqual(await page.$$eval('#limits-list input', (all) => all.map((one) => one.checked)), [true, true, false]);
    assert.match(await text(page, 'limits-list'), /dense, broadband: 1\.00e−12 V²\/Hz, 1 of 1 → /);
  }, { prepare: (daemon) => daemon.limits.alarms.push({ name: 'dense', quantity: 'broadband', limit: { v2_per_hz: 1e-12 }, off_db: -1, m_of_n: '1 of 1' }) }));

  test('back to the limits before is offered once there are some, asked, and put', () => onView(async ({ page, daemon }) => {
    assert.ok(!(await page.isVisible('#tuning-back')));
    await page.fill('#tuning-db', '1.2');
    await page.keyboard.press('Enter');
    await toSay(page, 'tuning-sentence', 'At +1.20 dB:');
    await page.click('#tuning-use');
    await page.click('#limits-do');
    await untilSent(() => puts(daemon), 1);
    daemon.holdLimits();
    await page.waitForSelector('#tuning-back', { state: 'visible' });
    await page.waitForSelector('#limits-dialog', { state: 'hidden' });
    await page.waitForFunction(() => document.getElementById('tuning-holds').textContent.startsWith('inertial (stop), broadband: +1.20 dB'));
    await page.click('#tuning-back');
    assert.equal(await text(page, 'limits-title'), 'Back to the limits before?');
    assert.deepEqual(await page.$$eval('#limits-list label', (all) => all.map((one) => one.textContent)), [
      'inertial (stop), broadband: +1.20 dB, 1 of 1, off at +0.70 dB → by the budget', 'loud, broadband: +1.20 dB, 1 of 1, off at +0.20 dB → +6.00 dB, 2 of 3, off at +5.00 dB',
    ]);
    assert.equal(puts(daemon).length, 1);
    await page.click('#limits-do');
    const bodies = await untilSent(() => puts(daemon), 2);
    assert.deepEqual(bodies[1], { alarms: [{ name: 'inertial', quantity: 'broadband', limit: 'budget' }, { name: 'loud', quantity: 'broadband', limit: { db: 6 }, off_db: 5, m_of_n: '2 of 3' }] });
    daemon.holdLimits();
    await page.waitForFunction(() => document.getElementById('tuning-holds').textContent.startsWith('inertial (stop), broadband: by the budget'));
  }));

  test('a replay that takes no limits says so, and the question stays', () => onView(async ({ page, daemon }) => {
    assert.equal(await data(page, 'live'), 'no');
    await page.click('#tuning-use');
    await page.click('#limits-do');
    await toSay(page, 'limits-fault', 'NOT changed: a replay takes no limits');
    assert.ok(await page.isVisible('#limits-dialog'));
    await untilSent(() => puts(daemon), 1);
  }, {
    prepare: (daemon) => {
      daemon.head.live = false;
      daemon.status.live = false;
      daemon.refuseLimits = 'a replay takes no limits';
    },
  }));

  test('limits that someone else changed are shown', () => onView(async ({ page, daemon }) => {
    daemon.limits.pending = [{ name: 'stable', quantity: 'ultraharmonic', limit: { db: 2 }, off_db: 1.5, m_of_n: '2 of 3' }];
    daemon.holdLimits();
    await toSay(page, 'tuning-holds', 'stable (warning), ultraharmonic: +2.00 dB, 2 of 3');
  }));
});

describe('by keyboard alone, at both sizes, beside the live page', () => {
  test('a limit is chosen, confirmed and taken back without a pointer; the focus is always seen', () => onView(async ({ page, daemon }) => {
    assert.equal(await focused(page), 'tuning-slider');
    const reach = async (id, key = 'Tab') => {
      for (let step = 0; step < 40; step += 1) {
        await page.keyboard.press(key);
        if ((await focused(page)) === id) {
          const seen = await page.evaluate(() => {
            const element = document.activeElement;
            const shown = element.matches('.unseen') ? element.closest('label') : element;
            const style = getComputedStyle(shown);
            return `${style.outlineStyle} ${style.outlineWidth}`;
          });
          assert.equal(seen, 'solid 3px', id);
          return;
        }
      }
      assert.fail(`${id} is not reached`);
    };
    for (const id of ['tuning-db', 'tuning-m', 'tuning-n', 'tuning-propose']) await reach(id);
    await reach('tuning-use', 'Shift+Tab');
    for (const id of ['tuning-again', 'tuning-broadband']) await reach(id, 'Shift+Tab');
    await page.keyboard.press('ArrowLeft');
    await toSay(page, 'tuning-alarms', 'Missed by subharmonic:');
    await page.keyboard.press('ArrowRight');
    await toSay(page, 'tuning-alarms', 'Missed by broadband:');
    await reach('tuning-session', 'Shift+Tab');
    await page.keyboard.press('ArrowDown');
    await toSay(page, 'tuning-sentence', 'of 60 quiet pulses');
    await page.keyboard.press('ArrowUp');
    await toSay(page, 'tuning-sentence', 'of 90 quiet pulses');
    await reach('tuning-db');
    await page.keyboard.press('Control+a');
    await page.keyboard.type('1.2');
    await page.keyboard.press('Enter');
    await toSay(page, 'tuning-sentence', 'At +1.20 dB:');
    await reach('tuning-use', 'Shift+Tab');
    await page.keyboard.press('Enter');
    assert.equal(await focused(page), 'limits-leave');
    await reach('limits-do', 'Shift+Tab');
    await page.keyboard.press('Enter');
    await untilSent(() => puts(daemon), 1);
    await page.waitForSelector('#limits-dialog', { state: 'hidden' });
    await page.waitForSelector('#tuning-back', { state: 'visible' });
    await reach('tuning-back');
    await page.keyboard.press('Enter');
    await reach('limits-do', 'Shift+Tab');
    await page.keyboard.press('Enter');
    await untilSent(() => puts(daemon), 2);
    await page.waitForSelector('#limits-dialog', { state: 'hidden' });
    await page.keyboard.press('Escape');
    assert.ok(!(await page.isVisible('#tuning')));
  }));

  test('keys of the list rest while the view is open, marks and stages keep theirs', () => onView(async ({ page, daemon }) => {
    await page.focus('#tuning-propose');
    for (const key of ['+', '-', '0', 'c', 'l', 'End']) await page.keyboard.press(key);
    assert.equal(await page.$('dialog[open]'), null);
    await page.keyboard.press('i');
    await untilSent(() => daemon.received.filter((one) => one.place === 'POST /api/v1/marks'), 1);
    await page.keyboard.press('Escape');
    await page.waitForFunction(() => /^newest: /.test(document.getElementById('chosen-text').textContent));
  }));

  test('help names the keys of the view', () => onView(async ({ page }) => {
    await page.keyboard.press('h');
    const words = await text(page, 'help');
    for (const part of ['tuning: try limits on recorded pulses', 'in tuning: move the limit by a fine step', 'by a coarse step', 'the proposed limit and rule', 'Trying changes nothing']) assert.ok(words.includes(part), part);
  }));

  for (const name of ['tuning', 'tuning_worst']) {
    for (const size of SIZES) {
      test(`scene ${name} fits at ${size.width} × ${size.height}: nothing cut, over another or too small, with any quantity, an error, and a question`, () => onView(async ({ page, daemon }) => {
        const look = async (what) => {
          await page.waitForTimeout(150);
          assert.deepEqual(await flaws(page), [], what);
          assert.deepEqual(await misfits(page), [], what);
          assert.deepEqual(await smallTexts(page), [], what);
        };
        for (const quantity of ['harmonic', 'ultraharmonic', 'subharmonic', 'broadband']) {
          await page.check(`#tuning-${quantity}`, { force: true });
          await toSay(page, 'tuning-alarms', `Missed by ${quantity}:`);
          await look(quantity);
          if (name === 'tuning') for (const part of ['advice-room', 'holds-room', 'drives-room']) assert.equal(await page.getAttribute(`#tuning-${part}`, 'tabindex'), null, `${part} is seen whole`);
        }
        for (const db of ['-3', '1.5', '9']) {
          await page.fill('#tuning-db', db);
          await page.keyboard.press('Enter');
          await toSay(page, 'tuning-sentence', `${db.replace('-', '−')}`);
          await look(`${db} dB`);
        }
        // What is longer than its room scrolls, by the keys too.
        const cut = await page.$$eval('#tuning .scrolls', (rooms) => rooms.filter((room) => room.scrollHeight > room.clientHeight + 1 && room.tabIndex !== 0).map((room) => room.id));
        assert.deepEqual(cut, []);
        await page.selectOption('#tuning-session', '2024-03-12-a');
        await toSay(page, 'tuning-fault', 'record');
        await look('an error');
        await page.selectOption('#tuning-session', 'now');
        await answered(page);
        daemon.limits.pending = daemon.limits.alarms.map((one) => ({ ...one, limit: { db: 1.2 }, off_db: 0.7, m_of_n: '1 of 1' }));
        daemon.holdLimits();
        await toSay(page, 'tuning-holds', '+1.20 dB');
        await look('limits set by hand');
        await page.click('#tuning-use');
        const dialog = await page.$eval('#limits-dialog', (element) => [element.getBoundingClientRect().right <= innerWidth, element.getBoundingClientRect().bottom <= innerHeight, element.scrollWidth <= element.clientWidth]);
        assert.deepEqual(dialog, [true, true, true]);
      }, { name, viewport: size }));
    }
  }

  test('the plots follow the size of the window', () => onView(async ({ page }) => {
    const wide = () => page.$eval('#tuning-onset-plot', (svg) => [svg.getAttribute('viewBox').split(' ')[2], String(svg.clientWidth)]);
    const [first] = await wide();
    await page.setViewportSize(SIZES[1]);
    await page.waitForFunction((before) => document.getElementById('tuning-onset-plot').getAttribute('viewBox').split(' ')[2] !== before, first);
    const [drawn, there] = await wide();
    assert.equal(drawn, there);
    assert.deepEqual(await flaws(page), []);
  }));

  test('nothing is asked from anywhere else and nothing complains', () => onView(async ({ page, url, asked: addresses, complaints }) => {
    await page.keyboard.press('ArrowUp');
    await page.click('#tuning-use');
    await page.keyboard.press('Escape');
    await page.waitForTimeout(300);
    assert.ok(addresses.some((address) => address.endsWith('/api/v1/tuning')));
    for (const address of addresses) assert.equal(new URL(address).host, new URL(url).host, address);
    assert.deepEqual(complaints, []);
  }));

  for (const size of SIZES) {
    test(`a stop alarm that comes while the view is open is seen and sounds at ${size.width} × ${size.height}, also over the question`, () => onView(async ({ page, daemon }) => {
      await until(page, 'sound', 'quiet');
      daemon.pulse({ verdict: 'inertial' });
      daemon.raise({ name: 'inertial', severity: 'stop', cause: 'broadband over the limit of the budget by 7.6 dB' });
      await until(page, 'sound', 'stop');
      assert.equal(await text(page, 'banner-word'), 'STOP: inertial');
      const box = await (await page.$('#banner')).boundingBox();
      assert.ok(box.y >= 0 && box.y + box.height <= (await (await page.$('#tuning')).boundingBox()).y);
      assert.deepEqual(await misfits(page), []);
      assert.match(await text(page, 'say-alarm'), /STOP: inertial/);
      await page.keyboard.press('a');
      await until(page, 'sound', 'quiet');
      await page.click('#tuning-use');
      daemon.raise({ name: 'inertial', severity: 'stop', cause: 'broadband over the limit of the budget by 8.6 dB' });
      await until(page, 'sound', 'stop');
      await page.keyboard.press('a');
      await until(page, 'sound', 'quiet');
      assert.ok(await page.isVisible('#limits-dialog'));
    }, { viewport: size }));
  }

  test('pulses that come draw nothing in the view, cost little, and stand in the list when it is back', (t) => onView(async ({ page, daemon }) => {
    await page.waitForTimeout(400);
    await page.evaluate(() => {
      globalThis.written = 0;
      new MutationObserver((changes) => {
        globalThis.written += changes.length;
      }).observe(document.getElementById('tuning'), { subtree: true, childList: true, attributes: true, characterData: true });
    });
    const before = await reportOf(page);
    const timer = daemon.every(33, () => daemon.pulse({ drive_mpa: 0.3, verdict: 'inertial' }));
    await page.waitForTimeout(2000);
    daemon.stopEvery(timer);
    await page.waitForTimeout(200);
    const after = await reportOf(page);
    assert.ok(after.pulses > before.pulses + 30, `${after.pulses - before.pulses} pulses came`);
    assert.equal(await page.evaluate(() => globalThis.written), 0);
    assert.equal(after.tuningDrawn, before.tuningDrawn);
    const took = after.frames.recentMs.slice(-(after.frames.drawn - before.frames.drawn)).sort((a, b) => a - b);
    t.diagnostic(`${took.length} frames: median ${took[took.length >> 1].toFixed(3)} ms`);
    assert.ok(took[took.length >> 1] <= 1, 'median above 1 ms');
    await page.keyboard.press('t');
    await page.waitForFunction((n) => document.getElementById('chosen-text').textContent.startsWith(`newest: pulse ${n} `), after.newest.pulse);
  }));
});
