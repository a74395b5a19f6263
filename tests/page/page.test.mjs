// Browser tests of the page: node --test tests/page/
//
// Against the mock daemon by default. With SIMMER_PAGE_URL set to the address of a running daemon, the
// checks that hold for any daemon (general.mjs) are run against that one instead.

import assert from 'node:assert/strict';
import { after, before, describe, test } from 'node:test';

import { openBrowser, openPage, reportOf } from './browser.mjs';
import { GENERAL, misfits, ready, smallTexts } from './general.mjs';
import { MockDaemon } from './mock.mjs';
import { SCENES } from './scenes.mjs';
import { acceptKey } from './websocket.mjs';

const GIVEN_URL = process.env.SIMMER_PAGE_URL ?? null;
let browser;
before(async () => {
  browser = await openBrowser();
});
after(async () => browser.close());

/** Runs `check` with a mock in scene `name`, changed by `prepare`, and a page on it. */
async function onScene(name, check, { viewport, wait = true, prepare = () => {} } = {}) {
  const daemon = new MockDaemon();
  SCENES[name](daemon);
  prepare(daemon);
  const url = await daemon.listen();
  const opened = await openPage(browser.context, url, viewport);
  try {
    if (wait) {
      await ready(opened.page);
      await opened.page.waitForFunction((words) => document.getElementById('sentence').textContent === words, daemon.status.now.sentence);
    }
    await check({ daemon, url, ...opened });
    assert.deepEqual(opened.complaints.filter((words) => !/WebSocket connection|ERR_CONNECTION|Failed to load resource/.test(words)), []);
  } finally {
    await opened.page.close();
    await daemon.close();
  }
}

const data = (page, name) => page.evaluate((key) => document.documentElement.dataset[key], name);
const until = (page, name, value, timeout = 5000) => page.waitForFunction(([key, wanted]) => document.documentElement.dataset[key] === wanted, [name, value], { timeout });
const posts = (daemon) => daemon.received.filter((one) => one.place.startsWith('POST'));

/** Pixels of the stylesheet's colour `name` in a box (CSS px) of a canvas. */
async function painted(page, id, name, box) {
  const rows = await paintedRows(page, id, name, box);
  return rows.reduce((sum, count) => sum + count, 0);
}

/** The same for each row of pixels of the box. */
function paintedRows(page, id, name, [left, top, width, height]) {
  return page.evaluate(([canvasId, colour, box]) => {
    const canvas = document.getElementById(canvasId);
    const hex = getComputedStyle(document.documentElement).getPropertyValue(`--${colour}`).trim();
    const wanted = [1, 3, 5].map((place) => Number.parseInt(hex.slice(place, place + 2), 16));
    const [x, y, wide, high] = box.map((px) => Math.round(px * devicePixelRatio));
    const copy = new OffscreenCanvas(wide, high).getContext('2d', { willReadFrequently: true });
    copy.drawImage(canvas, x, y, wide, high, 0, 0, wide, high);
    const { data: pixels } = copy.getImageData(0, 0, wide, high);
    const rows = new Array(high).fill(0);
    for (let at = 0; at < pixels.length; at += 4) if (wanted.every((value, part) => Math.abs(pixels[at + part] - value) <= 4)) rows[Math.floor(at / 4 / wide)] += 1;
    return rows;
  }, [id, name, [left, top, width, height]]);
}

/** Where each column of the pulse list begins and how wide it is, CSS px, by the first letters of its head. */
function columnOf(page, letters) {
  return page.$$eval('#columns span', (spans, wanted) => {
    const span = spans.find((one) => one.textContent.startsWith(wanted));
    return [Number.parseFloat(span.style.left), Number.parseFloat(span.style.width) - 5];
  }, letters);
}

const SIZES = [{ width: 1280, height: 800 }, { width: 1024, height: 600 }];
const listens = (daemon) => daemon.received.filter((one) => one.place === 'GET /api/v1/listen');

/** What a daemon from before many pulses were heard together says less. */
function silentOnMany(daemon) {
  for (const message of daemon.history) {
    for (const row of message.rows) {
      for (const key of Object.keys(row)) if (/_hear_cumulative_|_hear_v2$|^basis$|^cumulative$/.test(key)) delete row[key];
    }
  }
  delete daemon.head.alpha;
  delete daemon.status.now.together;
  delete daemon.status.now.established;
}

async function untilPosted(daemon, count) {
  const deadline = Date.now() + 5000;
  while (posts(daemon).length < count && Date.now() < deadline) await new Promise((done) => setTimeout(done, 10));
  assert.equal(posts(daemon).length, count);
  return posts(daemon);
}

if (GIVEN_URL !== null) {
  describe(`the page of the daemon at ${GIVEN_URL}`, () => {
    for (const [name, check] of GENERAL) test(name, () => check(browser.context, GIVEN_URL));
  });
} else {
  describe('the page of a running daemon', () => {
    const daemon = new MockDaemon();
    let url;
    before(async () => {
      SCENES.running(daemon);
      url = await daemon.listen();
    });
    after(async () => daemon.close());
    for (const [name, check] of GENERAL) test(name, () => check(browser.context, url));
  });
  describeMock();
}

function describeMock() {
  describe('what is shown', () => {
    test('the mock answers the handshake as the standard shows', () => {
      // Source: RFC 6455, section 1.3, the worked example.
      assert.equal(acceptKey('dGhlIHNhbXBsZSBub25jZQ=='), 's3pPLMBiTxaQ9kYGzzhZRbK+xOo=');
    });

    for (const [scene, word] of Object.entries({ waiting: 'WAITING', baseline: 'NO VERDICT', not_detected: 'NOT DETECTED', stable: 'STABLE', inertial: 'INERTIAL', not_hearing: 'NOT HEARING' })) {
      test(`state ${scene} shows its word, a shape of its own, and fits at both sizes`, () => onScene(scene, async ({ page, daemon }) => {
        assert.equal(await page.textContent('#word'), word);
        assert.ok((await page.getAttribute('#shape-path', 'd')).length > 10);
        assert.equal(await page.textContent('#sentence'), daemon.status.now.sentence);
        for (const size of [{ width: 1280, height: 800 }, { width: 1024, height: 600 }]) {
          await page.setViewportSize(size);
          await page.waitForTimeout(100);
          assert.deepEqual(await misfits(page), [], JSON.stringify(size));
          assert.deepEqual(await smallTexts(page), []);
        }
      }));
    }

    test('every word has a shape that no other has', async () => {
      const shapes = new Set();
      for (const scene of ['waiting', 'baseline', 'not_detected', 'stable', 'inertial', 'not_hearing']) {
        await onScene(scene, async ({ page }) => shapes.add(await page.getAttribute('#shape-path', 'd')));
      }
      assert.equal(shapes.size, 6);
    });

    for (const scene of ['four_channels', 'replay', 'pulses_2000', 'together', 'established', 'established_four']) {
      test(`scene ${scene} fits at both sizes`, () => onScene(scene, async ({ page }) => {
        for (const size of [{ width: 1280, height: 800 }, { width: 1024, height: 600 }]) {
          await page.setViewportSize(size);
          await page.waitForTimeout(100);
          assert.deepEqual(await misfits(page), [], JSON.stringify(size));
        }
      }));
    }

    test('baseline progress counts up to ready', () => onScene('baseline', async ({ page, daemon }) => {
      assert.match(await page.textContent('#baseline'), /0\.120 MPa 23 of 30/);
      daemon.status.baseline[2].pulses = 30;
      await page.waitForFunction(() => /0\.120 MPa ready/.test(document.getElementById('baseline').textContent));
    }));

    test('words of the daemon never become markup', () => onScene('not_detected', async ({ page, daemon }) => {
      daemon.status.target = '<b id="planted">x</b>';
      daemon.status.now = { ...daemon.status.now, sentence: '<img id="planted2" src="x">', together: '<u id="planted4">', established: [{ quantity: '<u id="planted5">', pulse: 3, channel: 0, drive_mpa: 0.1, excess_db: 1, within_db: 1 }] };
      daemon.raise({ name: '<i id="planted3">', severity: 'warning', cause: '<script>1</script>' });
      await page.waitForFunction(() => document.getElementById('target').textContent.startsWith('<b'));
      assert.equal(await page.$('#planted, #planted2, #planted3, #planted4, #planted5'), null);
    }));

    test('a replay is clearly not live: REPLAY across the top, silent alarms, no go-ahead', () => onScene('replay', async ({ page }) => {
      assert.equal(await data(page, 'live'), 'no');
      const band = await (await page.$('#replay')).boundingBox();
      assert.equal(band.width, 1280);
      assert.equal(band.y, 0);
      assert.match(await page.textContent('#replay'), /REPLAY.*REPLAY/);
      assert.equal(await data(page, 'sound'), 'off');
      assert.equal(await data(page, 'soundWanted'), 'stop');
      assert.equal(await page.textContent('#go-word'), 'hold');
    }));

    test('the newest pulse is in the top row and a chosen one keeps its place while others come', () => onScene('stable', async ({ page, daemon }) => {
      await page.keyboard.press('ArrowDown');
      await page.keyboard.press('ArrowDown');
      await page.waitForFunction(() => /^chosen: pulse 46 /.test(document.getElementById('chosen-text').textContent));
      const before = await (await page.$('#chosen')).boundingBox();
      for (let k = 0; k < 3; k += 1) daemon.pulse({ verdict: 'stable' });
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 51);
      await page.waitForTimeout(100);
      assert.match(await page.textContent('#chosen-text'), /^chosen: pulse 46 /);
      const after = await (await page.$('#chosen')).boundingBox();
      assert.ok(after.y > before.y, 'older rows move down');
      assert.ok(daemon.received.some((one) => one.query === '?pulse=46&channel=0'), 'its spectrum is asked for');
      await page.keyboard.press('Home');
      await page.waitForFunction(() => /^newest: pulse 51 /.test(document.getElementById('chosen-text').textContent));
    }));

    test('row heights follow the exposure and text stands only where it fits', () => onScene('pulses_300', async ({ page }) => {
      assert.equal((await reportOf(page)).rowHeight, 1);
      await page.keyboard.press('+');
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().rowHeight === 2);
    }));

    test('another channel is listened to by one key', () => onScene('four_channels', async ({ page, daemon }) => {
      await page.keyboard.press('c');
      await page.waitForFunction(() => document.getElementById('channel').value === '1');
      assert.deepEqual([...daemon.peers].filter((peer) => peer.open).map((peer) => peer.channel), [1]);
    }));
  });

  describe('many pulses together', () => {
    test('the line of many pulses comes and goes without moving anything, whole and readable at both sizes', () => onScene('together', async ({ page, daemon }) => {
      const words = daemon.status.now.together;
      for (const size of SIZES) {
        await page.setViewportSize(size);
        await page.waitForFunction((wanted) => document.getElementById('together').textContent === wanted, words);
        await page.waitForTimeout(100);
        assert.ok((await page.$eval('#together', (element) => Number.parseFloat(getComputedStyle(element).fontSize))) >= 15);
        assert.deepEqual(await misfits(page), [], JSON.stringify(size));
        const shown = await (await page.$('#rows')).boundingBox();
        for (const nothing of [null, undefined]) {
          daemon.status.now = { ...daemon.status.now, together: nothing };
          await page.waitForFunction(() => document.getElementById('together').textContent === '');
          assert.deepEqual(await (await page.$('#rows')).boundingBox(), shown);
        }
        assert.ok(shown.height >= 195, `${shown.height} px are left for the list at ${size.width}`);
        daemon.status.now = { ...daemon.status.now, together: words };
      }
    }));

    test('an ultraharmonic is established while every pulse is not detected: a word, a shape, no sound, no other verdict', () => onScene('established', async ({ page, daemon }) => {
      assert.ok(daemon.history.every((message) => message.rows[0].verdict === 'not_detected'));
      await page.waitForSelector('#established', { state: 'visible' });
      assert.equal(await page.textContent('#established-word'), 'ESTABLISHED');
      assert.equal(await page.textContent('#established-list'), 'ultraharmonic since pulse 412: +0.42 ± 0.11 dB, 0.120 MPa');
      assert.ok((await page.getAttribute('#established-path', 'd')).length > 10);
      assert.equal(await page.textContent('#word'), 'NOT DETECTED');
      const [red, green, blue] = (await page.$eval('#established-word', (element) => getComputedStyle(element).color)).match(/\d+/g).map(Number);
      assert.ok(green < Math.max(red, blue), 'not green');
      await page.waitForTimeout(700);
      assert.equal(await data(page, 'sound'), 'quiet');
      assert.equal(await page.getAttribute('#banner', 'data-alarm'), 'none');
      await page.setViewportSize(SIZES[1]);
      assert.ok((await (await page.$('#rows')).boundingBox()).height >= 165);
      daemon.status.now = { ...daemon.status.now, established: [] };
      await page.waitForSelector('#established', { state: 'hidden' });
    }));

    test('where several are established all stand in the details, with their channels', () => onScene('established_four', async ({ page }) => {
      assert.equal(await page.textContent('#established-count'), '2 in all: D');
      await page.keyboard.press('d');
      const words = await page.$$eval('#details-body tr', (rows) => rows.map((row) => [...row.children].map((cell) => cell.textContent).join(' | ')));
      assert.ok(words.includes('ultraharmonic | 12 | +5.21 ± 0.38 dB | 0.160 MPa | channel 1'), words.join('\n'));
      assert.ok(words.includes('broadband | 24 | +0.31 ± ∞ dB | 0.160 MPa | channel 3'));
    }));

    test('rows from which on a quantity is established carry the mark in its column only, in rows of any height', () => onScene('established', async ({ page }) => {
      const [ultra] = await columnOf(page, 'ultra');
      const [harmonic] = await columnOf(page, 'harm');
      // Pulse 480 is in the top row and each row is 1 px high: 69 rows are of pulse 412 and later.
      assert.equal((await reportOf(page)).rowHeight, 1);
      assert.ok((await painted(page, 'rows-canvas', 'lasting', [ultra, 0, 9, 69])) > 100);
      assert.equal(await painted(page, 'rows-canvas', 'lasting', [ultra, 69, 9, 200]), 0);
      assert.equal(await painted(page, 'rows-canvas', 'lasting', [harmonic, 0, 9, 200]), 0);
      for (let k = 0; k < 10; k += 1) await page.keyboard.press('+');
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().rowHeight === 22);
      await page.waitForTimeout(100);
      for (let row = 0; row < 5; row += 1) assert.ok((await painted(page, 'rows-canvas', 'lasting', [ultra, 22 * row, 9, 22])) > 10, `row ${row}`);
      assert.equal(await painted(page, 'rows-canvas', 'lasting', [harmonic, 0, 9, 200]), 0);
    }));

    test('what only many pulses hear is drawn apart, and a daemon that does not say it changes nothing', async () => {
      // Between both limits: slanted strokes cross every row of pixels, dots leave every second one blank.
      const count = async ({ page }) => {
        const [left, width] = await columnOf(page, 'harm');
        const zero = left + width / 6;
        const box = [Math.ceil(zero + 3), 0, 8, 120];
        const blank = (await paintedRows(page, 'rows-canvas', 'panel', box)).filter((count) => count === 8).length;
        return { blank, ticks: await painted(page, 'rows-canvas', 'lasting', [left, 0, width, 120]) };
      };
      let many;
      let one;
      await onScene('established', async (opened) => {
        many = await count(opened);
      });
      await onScene('established', async (opened) => {
        one = await count(opened);
        await opened.page.keyboard.press('d');
        await opened.page.waitForFunction(() => /no limit, or what it rests on is not known/.test(document.getElementById('details-body').textContent));
      }, { prepare: silentOnMany });
      assert.ok(many.ticks >= 50, `${many.ticks} pixels of the broken tick`);
      assert.equal(one.ticks, 0);
      assert.ok(many.blank >= 40, `${many.blank} of 120 rows are blank between dots`);
      assert.equal(one.blank, 0);
    });

    test('the strip over the exposure shows where the ultraharmonic became established, in its lane', () => onScene('established', async ({ page }) => {
      const { width, height } = await (await page.$('#exposure-canvas')).boundingBox();
      const lane = (height - 18) / 5;
      const onset = 50 + Math.floor((411 / 600) * (width - 54));
      const lasting = (left, index, wide) => painted(page, 'exposure-canvas', 'lasting', [left, index * lane, wide, lane - 1]);
      assert.ok((await lasting(onset - 6, 1, 13)) > 40);
      assert.ok((await lasting(onset + 10, 1, 30)) >= 30, 'it goes on');
      assert.equal(await lasting(50, 1, onset - 60), 0);
      for (const index of [0, 2, 3]) assert.equal(await lasting(50, index, width - 60), 0);
    }));

    test('the mark in the strip stays whole while pulses come', () => onScene('established', async ({ page, daemon }) => {
      const { width, height } = await (await page.$('#exposure-canvas')).boundingBox();
      const box = [50 + Math.floor((411 / 600) * (width - 54)) - 6, (height - 18) / 5, 13, (height - 18) / 5 - 1];
      const before = await painted(page, 'exposure-canvas', 'lasting', box);
      for (let k = 0; k < 5; k += 1) daemon.pulse({ drive_mpa: 0.12, cumulative: 'ultraharmonic since 412' });
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 485);
      await page.waitForTimeout(100);
      assert.equal(await painted(page, 'exposure-canvas', 'lasting', box), before);
    }));

    test('an onset while the page looks on is marked at its pulse', () => onScene('together', async ({ page, daemon }) => {
      const lane = async () => {
        const { width, height } = await (await page.$('#exposure-canvas')).boundingBox();
        return painted(page, 'exposure-canvas', 'lasting', [50, 3 * ((height - 18) / 5), width - 60, (height - 18) / 5 - 1]);
      };
      assert.equal(await lane(), 0);
      daemon.pulse({ drive_mpa: 0.12 });
      daemon.pulse({ drive_mpa: 0.12, cumulative: 'broadband since 22' });
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 22);
      await page.waitForTimeout(100);
      for (let k = 0; k < 5; k += 1) {
        daemon.pulse({ drive_mpa: 0.12, cumulative: 'broadband since 22' });
        await page.waitForTimeout(60);
      }
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 27);
      await page.waitForTimeout(100);
      const grown = await lane();
      assert.ok(grown > 30);
      // Drawn pulse by pulse it looks as it does when all is drawn at once.
      await page.reload();
      await ready(page);
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 27);
      await page.waitForTimeout(200);
      assert.equal(await lane(), grown);
    }));

    test('the details give the chosen pulse in dB and V² and say what its limits rest on', () => onScene('established', async ({ page, daemon }) => {
      for (let k = 0; k < 70; k += 1) await page.keyboard.press('ArrowDown');
      await page.waitForFunction(() => /^chosen: pulse 410 /.test(document.getElementById('chosen-text').textContent));
      await page.keyboard.press('d');
      await page.waitForFunction(() => /limit = mean/.test(document.getElementById('details-body').textContent));
      assert.ok(daemon.received.some((one) => one.place === 'GET /api/v1/pulses' && one.query === '?after=409&limit=1'));
      const [row] = daemon.history[409].rows;
      const cells = await page.$$eval('#details-body table:first-of-type tr', (rows) => rows.map((one) => [...one.children].map((cell) => cell.textContent)));
      assert.deepEqual(cells[0], ['quantity', 'level over baseline', 'limit', 'this pulse hears from', 'all pulses so far hear from']);
      const power = (value) => value.toExponential(2).replace('-', '−');
      assert.deepEqual(cells[2].slice(2), ['+1.20 dB', `+1.60 dB, ${power(row.ultraharmonic_hear_v2)} V²`, `+${row.ultraharmonic_hear_cumulative_db.toFixed(2)} dB, ${power(row.ultraharmonic_hear_cumulative_v2)} V²`]);
      const words = await page.textContent('#details-body');
      assert.ok(words.includes('harmonic: limit = mean + 5.58 SD + δ 1.50 dB (30 baseline pulses, SD 0.43 dB, φ 0.31, α 2.8e−6)'));
      assert.match(words, /detection limits include δ, the repeatability/);
    }));

    test('details of a pulse that the daemon no longer keeps show what the page holds and say so', () => onScene('established', async ({ page, daemon }) => {
      daemon.history.splice(0, 460);
      for (let k = 0; k < 70; k += 1) await page.keyboard.press('ArrowDown');
      await page.keyboard.press('d');
      await page.waitForFunction(() => /not shown: the daemon no longer keeps this pulse/.test(document.getElementById('details-body').textContent));
      const cells = await page.$$eval('#details-body table:first-of-type tr:nth-child(2) td', (all) => all.map((cell) => cell.textContent));
      assert.deepEqual([cells[0], cells[2], cells[3]], ['harmonic', '+3.90 dB', '+3.10 dB, – V²']);
    }));

    test('listening longer is asked for by key and answered in words, only when asked', () => onScene('together', async ({ page, daemon }) => {
      await page.waitForTimeout(300);
      assert.equal(listens(daemon).length, 0);
      await page.keyboard.press('l');
      await page.keyboard.type('0,1');
      await page.keyboard.press('Enter');
      await page.waitForSelector('#listen-answer li');
      assert.deepEqual(listens(daemon).map((one) => one.query), ['?db=0.1']);
      assert.deepEqual(await page.$$eval('#listen-answer li', (lines) => lines.map((line) => line.textContent)), [
        'Broadband: 80 more pulses at 0.120 MPa, about 16 s (now from +0.33 dB)', 'Subharmonic: not with this baseline: record 90 pulses at 0.120 MPa (now from +0.61 dB)',
        'Ultraharmonic: heard already (now from +0.08 dB)', 'Harmonic: not with a baseline of up to 4096 pulses',
      ]);
      await page.keyboard.press('Escape');
      assert.ok(!(await page.isVisible('#listen-dialog')));
      assert.equal(posts(daemon).length, 0);
    }));

    test('the button by the strip asks too; what is no level is refused at the page and what the daemon refuses is shown', () => onScene('not_detected', async ({ page, daemon }) => {
      await page.click('#listen');
      for (const [text, fault] of [['x', /“x” is not a number of dB above 0/], ['-1', /“-1” is not/]]) {
        await page.fill('[name=db]', text);
        await page.keyboard.press('Enter');
        assert.match(await page.textContent('#listen-fault'), fault);
      }
      assert.equal(listens(daemon).length, 0);
      await page.fill('[name=db]', '0.2');
      await page.click('#listen-form button[value=ask]');
      await page.waitForFunction(() => document.getElementById('listen-fault').textContent === 'no answer: no exposure pulse has been heard');
      assert.equal(await page.$('#listen-answer li'), null);
      assert.ok(await page.isVisible('#listen-dialog'));
    }));

    test('an older answer never stands under a newer question', () => onScene('together', async ({ page, daemon }) => {
      const answer = daemon.listenLonger.bind(daemon);
      const waiting = [];
      daemon.listenLonger = (url, response) => waiting.push(() => answer(url, response));
      await page.keyboard.press('l');
      for (const text of ['0.3', '0.2']) {
        await page.fill('[name=db]', text);
        await page.keyboard.press('Enter');
      }
      const deadline = Date.now() + 5000;
      while (waiting.length < 2 && Date.now() < deadline) await new Promise((done) => setTimeout(done, 10));
      waiting[1]();
      await page.waitForFunction(() => /from \+0\.20 dB on/.test(document.getElementById('listen-answer').textContent));
      waiting[0]();
      await page.waitForTimeout(300);
      assert.match(await page.textContent('#listen-answer'), /from \+0\.20 dB on/);
    }));

    test('a daemon that says nothing of many pulses is shown as before', () => onScene('stable', async ({ page }) => {
      assert.equal(await page.textContent('#together'), '');
      assert.ok(!(await page.isVisible('#established')));
      assert.equal((await reportOf(page)).pulses, 48);
      assert.deepEqual(await misfits(page), []);
      await page.keyboard.press('l');
      await page.keyboard.press('Enter');
      await page.waitForFunction(() => document.getElementById('listen-fault').textContent !== '');
    }, { prepare: silentOnMany }));

    test('signs are explained under the list and in the help', () => onScene('established', async ({ page }) => {
      const signs = ['level', 'limit', 'not heard', 'heard only together', 'together hears from', 'established'];
      for (const id of ['legend', 'help-legend']) assert.deepEqual(await page.$$eval(`#${id} li`, (items) => items.map((item) => item.textContent)), signs);
      const { width } = await (await page.$('#list')).boundingBox();
      const right = await page.$eval('#legend li:last-child', (item) => item.getBoundingClientRect().right);
      assert.ok(right <= width + 12, 'the last sign fits');
      await page.setViewportSize(SIZES[1]);
      assert.ok(!(await page.isVisible('#legend')));
      await page.keyboard.press('h');
      assert.ok(await page.isVisible('#help-legend'));
    }));
  });

  describe('alarms and sound', () => {
    test('a stop alarm sounds, latches, and is acknowledged by one key', () => onScene('not_detected', async ({ page, daemon }) => {
      await until(page, 'sound', 'quiet');
      daemon.pulse({ verdict: 'inertial' });
      const alarm = daemon.raise({ name: 'inertial', severity: 'stop', cause: 'broadband over the limit of the budget by 7.6 dB' });
      await until(page, 'sound', 'stop');
      assert.equal(await page.textContent('#banner-word'), 'STOP: inertial');
      assert.match(await page.textContent('#say-alarm'), /STOP: inertial/);
      alarm.on = false;
      await page.waitForTimeout(700);
      assert.equal(await data(page, 'sound'), 'stop', 'it is over, but not acknowledged');
      await page.keyboard.press('a');
      await until(page, 'sound', 'quiet');
      assert.deepEqual((await untilPosted(daemon, 1)).map((one) => one.place), ['POST /api/v1/alarms/1/acknowledge']);
      await page.waitForFunction(() => document.getElementById('banner').dataset.alarm !== 'stop');
    }));

    test('a stop alarm survives a reload', () => onScene('inertial', async ({ page }) => {
      await until(page, 'sound', 'stop');
      await page.reload();
      await until(page, 'sound', 'stop');
      assert.match(await page.textContent('#banner-more'), /came first: drive above baseline/);
    }));

    test('an alarm acknowledged at another page is quiet at this one', () => onScene('inertial', async ({ page, daemon }) => {
      await until(page, 'sound', 'stop');
      daemon.acknowledge(2, { writeHead() {}, end() {} });
      await until(page, 'sound', 'quiet');
    }));

    test('a warning beeps and is done', () => onScene('not_detected', async ({ page, daemon }) => {
      await until(page, 'sound', 'quiet');
      daemon.raise({ name: 'overload', severity: 'warning', cause: 'samples at full scale', latch: false });
      await until(page, 'sound', 'warning');
      await until(page, 'sound', 'quiet');
    }));

    test('not hearing falls', () => onScene('not_hearing', async ({ page }) => {
      await until(page, 'sound', 'falling');
    }));

    test('SOUND OFF is shown while the browser may not play, and a touch turns it on', async () => {
      const strict = await openBrowser({ autoplay: false });
      const daemon = new MockDaemon();
      SCENES.inertial(daemon);
      const url = await daemon.listen();
      try {
        const { page } = await openPage(strict.context, url);
        // Asked without a gesture: the test tool's own questions count as a person's touch.
        const session = await strict.context.newCDPSession(page);
        const ask = async (expression) => (await session.send('Runtime.evaluate', { expression, userGesture: false })).result.value;
        const deadline = Date.now() + 5000;
        while ((await ask('document.documentElement.dataset.soundWanted')) !== 'stop' && Date.now() < deadline) await new Promise((done) => setTimeout(done, 50));
        assert.equal(await ask('document.documentElement.dataset.soundWanted'), 'stop');
        assert.equal(await ask('document.documentElement.dataset.sound'), 'off');
        assert.equal(await ask("document.getElementById('sound-text').textContent"), 'SOUND OFF');
        await page.keyboard.press('s');
        await until(page, 'sound', 'stop');
        assert.equal(await page.textContent('#sound-text'), 'sound on');
        await page.keyboard.press('s');
        await until(page, 'sound', 'off');
        assert.equal(await page.textContent('#sound-text'), 'SOUND OFF');
      } finally {
        await daemon.close();
        await strict.close();
      }
    });
  });

  describe('stale and reconnect', () => {
    test('stale stands in large letters within 2 s of the last beat, falls in pitch, and goes with the next', () => onScene('not_detected', async ({ page, daemon }) => {
      daemon.beating = false;
      await until(page, 'stale', 'yes', 2000);
      assert.ok(await page.isVisible('#stale'));
      assert.ok((await page.$eval('#stale-word', (element) => Number.parseFloat(getComputedStyle(element).fontSize))) >= 64);
      await until(page, 'sound', 'falling');
      assert.equal(await page.textContent('#go-word'), 'hold');
      daemon.beating = true;
      await until(page, 'stale', 'no', 1000);
      await until(page, 'sound', 'quiet');
    }));

    test('a pause between exposures is not stale', () => onScene('not_detected', async ({ page }) => {
      await page.evaluate(() => {
        globalThis.staleSeen = 0;
        new MutationObserver(() => {
          if (document.documentElement.dataset.stale === 'yes') globalThis.staleSeen += 1;
        }).observe(document.documentElement, { attributeFilter: ['data-stale'] });
      });
      await page.waitForTimeout(3000);
      assert.equal(await page.evaluate(() => globalThis.staleSeen), 0);
    }));

    test('a lost connection is stale at once and comes back by itself without doubling pulses', () => onScene('stable', async ({ page, daemon }) => {
      const before = await reportOf(page);
      daemon.drop();
      await until(page, 'stale', 'yes', 1000);
      await until(page, 'stale', 'no');
      const after = await reportOf(page);
      assert.deepEqual([after.pulses, after.entries], [before.pulses, before.entries]);
    }));

    test('pulses missed while away are filled in', () => onScene('stable', async ({ page, daemon }) => {
      daemon.refusing = true;
      daemon.drop();
      await until(page, 'link', 'lost');
      for (let k = 0; k < 5; k += 1) daemon.pulse({ verdict: 'stable' });
      daemon.refusing = false;
      await until(page, 'link', 'up');
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 53);
      assert.equal((await reportOf(page)).entries, 53);
    }));

    test('another run of the daemon drops what the page had', () => onScene('stable', async ({ page, daemon }) => {
      daemon.reset('b2');
      SCENES.not_detected(daemon);
      daemon.drop();
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().run === 'b2');
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 12);
      await until(page, 'word', 'NOT DETECTED');
    }));

    test('pulses the page was too slow for are shown as missed', () => onScene('not_detected', async ({ page, daemon }) => {
      for (let k = 0; k < 12; k += 1) daemon.pulse({ skip: true });
      for (const peer of daemon.peers) peer.text({ is: 'missed', pulses: 12, events: 0 });
      daemon.pulse({});
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().entries === 14);
      await page.keyboard.press('ArrowDown');
      await page.waitForFunction(() => document.getElementById('chosen').textContent === '12 pulses not shown');
      assert.match(await page.textContent('#toasts'), /12 pulses not shown/);
    }));
  });

  describe('acts', () => {
    test('an injection is marked by one key and taken back by another', () => onScene('not_detected', async ({ page, daemon }) => {
      await page.keyboard.press('f');
      await page.fill('[name=agent]', 'lipid-shelled');
      await page.fill('[name=volume_ul]', 'fifty');
      await page.click('button[value=keep]');
      assert.match(await page.textContent('#injection-fault'), /volume “fifty”/);
      await page.fill('[name=volume_ul]', '50');
      await page.click('button[value=keep]');
      await page.keyboard.press('i');
      let sent = await untilPosted(daemon, 1);
      assert.deepEqual(sent[0].body, { mark: 'injection', agent: 'lipid-shelled', volume_ul: 50 });
      await page.waitForFunction(() => !document.getElementById('undo').disabled);
      await page.keyboard.press('u');
      sent = await untilPosted(daemon, 2);
      assert.deepEqual(sent[1].body, { mark: 'void', void: 2 });
      await page.evaluate(() => localStorage.clear());
    }));

    test('letters typed into a field mark nothing', () => onScene('not_detected', async ({ page, daemon }) => {
      await page.keyboard.press('n');
      await page.keyboard.type('pixar 123');
      await page.keyboard.press('Enter');
      const sent = await untilPosted(daemon, 1);
      assert.deepEqual(sent[0].body, { mark: 'note', text: 'pixar 123' });
    }));

    test('target, pause, resume and abort are marks', () => onScene('not_detected', async ({ page, daemon }) => {
      await page.keyboard.press('g');
      await page.keyboard.type('left');
      await page.keyboard.press('Enter');
      await untilPosted(daemon, 1);
      await page.waitForSelector('#text-dialog', { state: 'hidden' });
      for (const [place, key] of ['p', 'r', 'x'].entries()) {
        await page.keyboard.press(key);
        await untilPosted(daemon, place + 2);
      }
      assert.deepEqual(posts(daemon).map((one) => one.body), [{ mark: 'target', target: 'left' }, { mark: 'pause' }, { mark: 'resume' }, { mark: 'abort' }]);
    }));

    test('a stage takes two presses', () => onScene('not_detected', async ({ page, daemon }) => {
      await page.keyboard.press('2');
      await page.waitForTimeout(200);
      assert.equal(posts(daemon).length, 0);
      await page.keyboard.press('2');
      assert.deepEqual((await untilPosted(daemon, 1))[0].body, { stage: 'baseline' });
      await page.waitForFunction(() => document.querySelector('[data-act=stage-baseline]').getAttribute('aria-pressed') === 'true');
    }));

    test('stage buttons are off with the reason while the sender sets the stage', () => onScene('four_channels', async ({ page, daemon }) => {
      assert.equal(await page.getAttribute('[data-act=stage-noise]', 'aria-disabled'), 'true');
      assert.equal(await page.textContent('#stage-owner'), 'sender sets the stage');
      await page.keyboard.press('1');
      await page.keyboard.press('1');
      await page.waitForFunction(() => /the sender sets the stage/.test(document.getElementById('toasts').textContent));
      assert.equal(posts(daemon).length, 0);
    }));

    test('a stage that the daemon refuses is said to be refused', () => onScene('not_detected', async ({ page, daemon }) => {
      daemon.refuseStage = true;
      await page.keyboard.press('1');
      await page.keyboard.press('1');
      await page.waitForFunction(() => /stage not changed: the sender sets the stage of this stream/.test(document.getElementById('toasts').textContent));
    }));
  });

  describe('load', () => {
    for (const [scene, pulse] of Object.entries({ pulses_300: { drive_mpa: 0.3, verdict: 'inertial' }, established: { drive_mpa: 0.12, cumulative: 'ultraharmonic since 412; broadband since 480' } })) test(`thirty pulses a second cost few milliseconds a frame in scene ${scene}`, (t) => onScene(scene, async ({ page, daemon }) => {
      const timer = daemon.every(33, () => daemon.pulse(pulse));
      await page.waitForTimeout(1500);
      const from = (await reportOf(page)).frames.drawn;
      await page.waitForTimeout(3000);
      daemon.stopEvery(timer);
      const { frames } = await reportOf(page);
      const took = frames.recentMs.slice(-(frames.drawn - from)).sort((a, b) => a - b);
      t.diagnostic(`${took.length} frames: median ${took[took.length >> 1].toFixed(2)} ms, 95 % ${took[Math.floor(took.length * 0.95)].toFixed(2)} ms, slowest ${took.at(-1).toFixed(2)} ms`);
      assert.ok(took.length > 60);
      // The median and not the slowest: other work on the machine takes the processor away at times.
      assert.ok(took[took.length >> 1] <= 4, 'median above 4 ms');
    }));

    test('two pages, one asleep: its memory stays bounded and the other is unaffected', () => onScene('running', async ({ page, daemon, url }) => {
      const { page: sleeper } = await openPage(browser.context, url);
      await ready(sleeper);
      // Freezing the page is what a browser does with a tab that is long in the background.
      const session = await browser.context.newCDPSession(sleeper);
      await session.send('Page.setWebLifecycleState', { state: 'frozen' });
      await page.bringToFront();
      const many = 21000;
      for (let k = 0; k < many; k += 1) {
        daemon.pulse({ withSpectrum: k % 10 === 0 });
        if (k % 200 === 0) await new Promise((done) => setTimeout(done, 10));
      }
      await page.waitForFunction(async (count) => (await import(new URL('main.js', document.baseURI).href)).report().newest?.n >= count, many, { timeout: 60000 });
      const awake = await reportOf(page);
      assert.ok(awake.entries <= 20000 + 256, `${awake.entries} entries`);
      assert.ok(awake.spectra <= 4096 && awake.spectraBytes <= 4096 * 1024);
      assert.equal(await data(page, 'stale'), 'no');
      await session.send('Page.setWebLifecycleState', { state: 'active' });
      await sleeper.bringToFront();
      await sleeper.waitForFunction(async (count) => (await import(new URL('main.js', document.baseURI).href)).report().newest?.n >= count, many, { timeout: 60000 });
      const woken = await reportOf(sleeper);
      assert.ok(woken.entries <= 20000 + 256 && woken.spectra <= 4096);
      await sleeper.close();
    }));
  });
}
