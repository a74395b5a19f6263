// Browser tests of the details: pascals and what is corrected for loss, against the mock daemon.

import assert from 'node:assert/strict';
import { after, before, describe, test } from 'node:test';

import { openBrowser, openPage } from './browser.mjs';
import { misfits, ready, smallTexts } from './general.mjs';
import { MockDaemon } from './mock.mjs';
import { SCENES } from './scenes.mjs';

const SIZES = [{ width: 1280, height: 800 }, { width: 1024, height: 600 }];
const CORRECTED = 'excess, corrected for loss';
let browser;
before(async () => {
  browser = await openBrowser();
});
after(async () => browser.close());

/** Runs `check` with a mock in scene `name`, changed by `prepare`, and the details of a pulse open on it. */
async function onDetails(name, check, { prepare = () => {}, viewport, keys = [] } = {}) {
  const daemon = new MockDaemon();
  SCENES[name](daemon);
  prepare(daemon);
  const opened = await openPage(browser.context, await daemon.listen(), viewport);
  try {
    await ready(opened.page);
    await opened.page.waitForFunction(async (count) => (await import(new URL('main.js', document.baseURI).href)).report().pulses === count, daemon.count);
    for (const key of keys) await opened.page.keyboard.press(key);
    await opened.page.keyboard.press('d');
    await opened.page.waitForFunction(() => /limit = mean|not shown:/.test(document.getElementById('details-body').textContent));
    await check({ daemon, ...opened });
    assert.deepEqual(opened.complaints, []);
  } finally {
    await opened.page.close();
    await daemon.close();
  }
}

/** The tables whose second column is one of pressures or of corrected excess, cell by cell. */
async function calibratedTables(page) {
  const tables = await page.$$eval('#details-body table', (all) => all.map((one) => [...one.rows].map((row) => [...row.cells].map((cell) => cell.textContent))));
  return tables.filter(([heads]) => heads[1] === 'pressure, rms' || heads[1] === CORRECTED);
}

const items = (page) => page.$$eval('#details-body li', (all) => all.map((one) => one.textContent));

/** Things of the open details that are cut, stick out sideways or are too small. */
function sidewaysMisfits(page) {
  return page.$eval('#details', (dialog) => {
    const found = [];
    if (dialog.scrollWidth > dialog.clientWidth) found.push('the details scroll sideways');
    const { left, right, top, bottom } = dialog.getBoundingClientRect();
    if (left < 0 || top < 0 || right > innerWidth || bottom > innerHeight) found.push('the details are outside');
    for (const cell of dialog.querySelectorAll('th, td, li, p')) {
      const box = cell.getBoundingClientRect();
      if (box.left < left || box.right > right || cell.scrollWidth > cell.clientWidth + 1) found.push(`cut: ${cell.textContent}`);
    }
    for (const cell of dialog.querySelectorAll('td')) if (cell.getBoundingClientRect().height > 30) found.push(`broken in two: ${cell.textContent}`);
    return found;
  });
}

/** A number in three digits as the page may write it: read back, it is the value within half a digit. */
function near(text, value, unit) {
  const found = /^([+−]?[\d.]+(?:e−?\d+)?) (\S+)$/.exec(text);
  assert.ok(found, `“${text}” is no number with a unit`);
  assert.equal(found[2], unit, text);
  const read = Number(found[1].replaceAll('−', '-'));
  assert.ok(Math.abs(read - value) <= 0.0051 * Math.abs(value), `${text} is not ${value}`);
}

describe('details of a calibrated receiver', () => {
  test('the chosen pulse stands in pascals and corrected for loss, quantity by quantity', () => onDetails('calibrated', async ({ page, daemon }) => {
    const row = daemon.history[40].rows[0];
    assert.match(await page.textContent('#details-body'), /Chosen pulse.*pulse 41 /);
    const [[heads, ...cells], ...others] = await calibratedTables(page);
    assert.equal(others.length, 0);
    assert.deepEqual(heads, ['quantity', 'pressure, rms', 'excess over baseline', 'this pulse hears from', CORRECTED]);
    for (const [place, quantity] of [[0, 'harmonic'], [1, 'ultraharmonic'], [3, 'broadband']]) {
      const [name, pressure, excess, hear, corrected] = cells[place];
      assert.equal(name, quantity);
      const [rms, density] = pressure.split(', ');
      near(rms, Math.sqrt(row[`${quantity}_pa2`]), 'Pa');
      if (quantity === 'broadband') near(density, row.broadband_pa2_per_hz, 'Pa²/Hz');
      else assert.equal(density, undefined);
      near(excess, row[`${quantity}_excess_pa2`], 'Pa²');
      near(hear, row[`${quantity}_hear_pa2`], 'Pa²');
      near(corrected, row[`${quantity}_corrected_excess_pa2`], 'Pa²');
    }
    assert.deepEqual(cells[2], ['subharmonic', '–', '–', '–', '–']);
  }, { keys: new Array(7).fill('ArrowDown') }));

  test('labels are the daemon’s, with what is not covered, and stay words', () => onDetails('calibrated', async ({ page, daemon }) => {
    const [own] = daemon.head.calibration.channels;
    const uncovered = 'not covered: harmonic line at 2.8 MHz, subharmonic line at 0.35 MHz, 58.9 % of the broadband';
    const words = await items(page);
    assert.ok(words.includes(`Pressure, excess, what this pulse hears from: ${own.pascal.label}; ${uncovered}`), words.join('\n'));
    assert.ok(words.includes(`Excess, corrected for loss: ${own.corrected_pascal.label}; ${uncovered}`));
    assert.equal(await page.$('#planted'), null);
  }, { prepare: (daemon) => {
    for (const part of ['pascal', 'corrected', 'corrected_pascal']) daemon.head.calibration.channels[0][part].label += ` <b id="planted">${part}</b>`;
  } }));

  for (const size of SIZES) {
    for (const scene of ['calibrated', 'calibrated_four']) {
      test(`scene ${scene} fits and reads well at ${size.width} × ${size.height}`, () => onDetails(scene, async ({ page }) => {
        assert.equal((await calibratedTables(page)).length, 1);
        assert.deepEqual(await sidewaysMisfits(page), []);
        assert.deepEqual(await smallTexts(page), []);
        assert.deepEqual(await misfits(page), []);
        const colours = await page.$$eval('#details-body :is(th, td, li, p)', (all) => [...new Set(all.map((one) => getComputedStyle(one).color))]);
        // The ink of the stylesheet; its contrast is checked in web/test/contrast.test.mjs.
        assert.deepEqual(colours, ['rgb(234, 240, 248)']);
      }, { viewport: size }));
    }
  }

  test('all of it is reached by keys alone', () => onDetails('calibrated', async ({ page }) => {
    await page.keyboard.press('End');
    await page.waitForFunction(() => {
      const dialog = document.getElementById('details');
      return dialog.scrollTop > 0 && dialog.scrollTop + dialog.clientHeight >= dialog.scrollHeight - 1;
    });
    await page.keyboard.press('Escape');
    assert.ok(!(await page.isVisible('#details')));
  }, { viewport: SIZES[1] }));

  test('of several channels the one that is listened to has its own table, and all together have none', () => onDetails('calibrated_four', async ({ page, daemon }) => {
    const seen = [];
    for (const channel of [0, 1, 2, 3]) {
      const tables = await calibratedTables(page);
      seen.push(tables.map(([heads]) => heads.length));
      const words = await items(page);
      const { pascal, corrected, corrected_pascal: both } = daemon.head.calibration.channels[channel];
      for (const [part, shown] of [[pascal, true], [both, true], [corrected, pascal === null]]) {
        if (part !== null) assert.equal(words.some((line) => line.endsWith(`: ${part.label}`)), shown, `${part.label} on channel ${channel}`);
      }
      if (channel === 1) near(tables[0][4][1], daemon.history.at(-1).rows[1].broadband_corrected_excess_v2, 'V²');
      await page.keyboard.press('Escape');
      await page.keyboard.press('c');
      await page.waitForFunction((next) => document.getElementById('channel').value === String(next), (channel + 1) % 4);
      await page.keyboard.press('d');
      await page.waitForFunction((next) => document.getElementById('details-body').textContent.includes(`Channel ${next}`), (channel + 1) % 4);
    }
    // Pressure, excess, detection limit and corrected excess; the last alone; nothing; the first three.
    assert.deepEqual(seen, [[5], [2], [], [4]]);
  }));

  test('the spectrum stays in volts', () => onDetails('calibrated', async ({ page, daemon }) => {
    assert.equal(await spectrumPicture(page, daemon), await spectrumWithout('calibrated', page.viewportSize()));
  }));

  test('a pulse that the daemon no longer keeps has dashes', () => onDetails('calibrated', async ({ page }) => {
    const [[, ...cells]] = await calibratedTables(page);
    for (const [, ...values] of cells) assert.deepEqual(values, ['–', '–', '–', '–']);
  }, { keys: new Array(40).fill('ArrowDown'), prepare: (daemon) => {
    daemon.pulses = (url, response) => {
      response.writeHead(200, { 'content-type': 'application/json' });
      response.end(JSON.stringify({ pulses: [], missed: 0 }));
    };
  } }));
});

/** The picture of the spectrum once it is drawn with its baseline and stays as it is. */
async function spectrumPicture(page, daemon) {
  const deadline = Date.now() + 5000;
  for (let former = ''; Date.now() < deadline;) {
    await page.waitForTimeout(300);
    const asked = daemon.received.some((one) => one.place === 'GET /api/v1/spectrum');
    const picture = await page.$eval('#spectrum-canvas', (canvas) => canvas.toDataURL());
    if (asked && picture === former) return picture;
    former = picture;
  }
  throw new Error('the spectrum was not drawn');
}

/** The picture of the spectrum of a scene whose daemon gives no curves. */
async function spectrumWithout(name, viewport) {
  let shown = '';
  await onDetails(name, async ({ page, daemon }) => {
    shown = await spectrumPicture(page, daemon);
  }, { viewport, prepare: uncalibrated });
  return shown;
}

/** What a daemon without curves, or from before there were any, says less. */
function uncalibrated(daemon) {
  delete daemon.head.calibration;
  for (const message of daemon.history) {
    for (const row of message.rows) for (const key of Object.keys(row)) if (/_pa2|_corrected_/.test(key)) delete row[key];
  }
}

describe('details of a receiver without curves', () => {
  for (const [scene, prepare] of [['stable', () => {}], ['calibrated', uncalibrated], ['four_channels', () => {}]]) {
    test(`say nothing of pascals or corrections in scene ${scene}${prepare === uncalibrated ? ' without its curves' : ''}`, () => onDetails(scene, async ({ page }) => {
      assert.deepEqual(await calibratedTables(page), []);
      assert.doesNotMatch(await page.textContent('#details-body'), /\bPa\b|Pa²|[Pp]ressure, |corrected|rest on volts|not covered/);
    }, { prepare }));
  }
});
