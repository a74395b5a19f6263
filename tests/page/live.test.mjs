// The page over the program itself: `simmer demo` and `simmer monitor`, in Chromium.
//
// SIMMER_BIN names another program than target/release/simmer.

import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { mkdtemp, readFile, rm } from 'node:fs/promises';
import os from 'node:os';
import path from 'node:path';
import { createInterface } from 'node:readline';
import { after, before, describe, test } from 'node:test';
import { fileURLToPath } from 'node:url';

import { openBrowser, openPage, reportOf } from './browser.mjs';
import { GENERAL, ready } from './general.mjs';

const repo = path.join(path.dirname(fileURLToPath(import.meta.url)), '../..');
const binary = process.env.SIMMER_BIN ?? path.join(repo, 'target/release/simmer');

let browser;
let folder;
before(async () => {
  browser = await openBrowser();
  folder = await mkdtemp(path.join(os.tmpdir(), 'simmer-live-'));
});
after(async () => {
  await browser.close();
  await rm(folder, { recursive: true, force: true });
});

/** A program under way, what it said on standard error, and where its page and socket are. */
async function start(args, places = ['page']) {
  const child = spawn(binary, args, { cwd: repo, stdio: ['ignore', 'ignore', 'pipe'] });
  const said = [];
  const found = {};
  const exited = new Promise((done) => child.on('exit', (code, signal) => done(code ?? signal)));
  await new Promise((resolve, reject) => {
    createInterface({ input: child.stderr }).on('line', (line) => {
      said.push(line);
      const match = /^(page|stream) on (\S+)$/.exec(line);
      if (match) found[match[1]] = match[2];
      if (places.every((place) => found[place])) resolve();
    });
    exited.then((code) => reject(new Error(`ended with ${code}: ${said.join('\n')}`)));
  });
  return { child, said, exited, ...found };
}

async function stop(running) {
  running.child.kill('SIGCONT');
  running.child.kill('SIGINT');
  const killer = setTimeout(() => running.child.kill('SIGKILL'), 8000);
  const code = await running.exited;
  clearTimeout(killer);
  return code;
}

const data = (page, name) => page.evaluate((key) => document.documentElement.dataset[key], name);
const until = (page, name, value, timeout = 20000) => page.waitForFunction(([key, wanted]) => document.documentElement.dataset[key] === wanted, [name, value], { timeout });
const status = async (url) => (await fetch(new URL('api/v1/status', url))).json();

async function untilStatus(url, check, timeoutMs = 30000) {
  const deadline = Date.now() + timeoutMs;
  for (;;) {
    const now = await status(url);
    if (check(now)) return now;
    assert.ok(Date.now() < deadline, `not within ${timeoutMs} ms: ${JSON.stringify(now)}`);
    await new Promise((done) => setTimeout(done, 20));
  }
}

describe('the page over the demo', () => {
  let demo;
  before(async () => {
    demo = await start(['demo', '--seconds', '30', '--speed', '10', '--stay', '--listen', '127.0.0.1:0']);
  });
  after(async () => {
    // Ctrl-C after the scene's end is how a demo that stays is meant to end.
    assert.equal(await stop(demo), 0, demo.said.join('\n'));
  });
  for (const [name, check] of GENERAL) test(name, () => check(browser.context, demo.page));

  test('every pulse that was sent has its row, and the stop alarm is there after a reload', async () => {
    await untilStatus(demo.page, (now) => now.stream.state === 'ended' && now.pulses === 150);
    const { page, complaints } = await openPage(browser.context, demo.page);
    await ready(page);
    await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 150);
    assert.match(await page.textContent('#banner'), /inertial/);
    await page.reload();
    await ready(page);
    await page.waitForFunction(() => /inertial/.test(document.getElementById('banner').textContent));
    const before = await status(demo.page);
    assert.ok(before.alarms.some((alarm) => alarm.name === 'inertial' && !alarm.acknowledged));
    await page.keyboard.press('a');
    await untilStatus(demo.page, (now) => !now.alarms.some((alarm) => alarm.name === 'inertial' && !alarm.acknowledged));
    assert.deepEqual(complaints, []);
    await page.close();
  });
});

describe('the page over a session', () => {
  test('a stop alarm sounds, latches over quiet pulses, and one key acknowledges it', async () => {
    const demo = await start(['demo', '--seconds', '30', '--speed', '4', '--stay', '--listen', '127.0.0.1:0']);
    try {
      const { page, complaints } = await openPage(browser.context, demo.page);
      await ready(page);
      await until(page, 'sound', 'quiet');
      await until(page, 'sound', 'stop', 30000);
      const words = await page.textContent('#banner');
      assert.match(words, /STOP/);
      await untilStatus(demo.page, (now) => now.stream.state === 'ended');
      assert.equal(await data(page, 'sound'), 'stop', 'the scene is over, the alarm is not acknowledged');
      await page.keyboard.press('a');
      await page.waitForFunction(() => document.documentElement.dataset.sound !== 'stop');
      assert.deepEqual(complaints, []);
      await page.close();
    } finally {
      await stop(demo);
    }
  });

  test('stale within two seconds of a daemon that hangs, and not in a pause between exposures', async () => {
    const out = path.join(folder, 'stale');
    const monitor = await start(['monitor', '-c', 'demo-data/config.toml', '--out', out, '--listen', '127.0.0.1:0', '--stream', '127.0.0.1:0'], ['page', 'stream']);
    try {
      const { page } = await openPage(browser.context, monitor.page);
      await ready(page);
      const send = spawn(binary, ['send', '--to', monitor.stream, '-c', 'demo-data/config.toml', '--speed', 'max', 'demo-data/baseline.sigmf-meta'], { cwd: repo, stdio: 'ignore' });
      assert.equal(await new Promise((done) => send.on('exit', done)), 0);
      await untilStatus(monitor.page, (now) => now.stream.state === 'ended');
      // A pause: no pulses for three seconds, and heartbeats all the while.
      const begun = Date.now();
      while (Date.now() - begun < 3000) {
        assert.equal(await data(page, 'stale'), 'no');
        await page.waitForTimeout(100);
      }
      monitor.child.kill('SIGSTOP');
      await until(page, 'stale', 'yes', 2000);
      assert.ok(await page.evaluate(() => Number.parseFloat(getComputedStyle(document.getElementById('word')).fontSize)) >= 48);
      monitor.child.kill('SIGCONT');
      await until(page, 'stale', 'no', 10000);
      await page.close();
    } finally {
      assert.equal(await stop(monitor), 130, monitor.said.join('\n'));
    }
    const about = JSON.parse(await readFile(path.join(out, 'session.json'), 'utf8'));
    assert.equal(about.account.closes, true);
  });

  test('a calibrated receiver’s pulse stands in pascals and corrected for loss as the daemon has it', async () => {
    const out = path.join(folder, 'calibrated');
    const config = 'demo-data/calibrated.toml';
    const monitor = await start(['monitor', '-c', config, '--out', out, '--listen', '127.0.0.1:0', '--stream', '127.0.0.1:0'], ['page', 'stream']);
    try {
      const send = spawn(binary, ['send', '--to', monitor.stream, '-c', config, '--speed', 'max', 'demo-data/baseline.sigmf-meta', 'demo-data/exposure.sigmf-meta'], { cwd: repo, stdio: 'ignore' });
      assert.equal(await new Promise((done) => send.on('exit', done)), 0);
      await untilStatus(monitor.page, (now) => now.stream.state === 'ended' && now.pulses === 135);
      const [row] = (await (await fetch(new URL('api/v1/pulses?after=133&limit=1', monitor.page))).json()).pulses;
      const { page, complaints } = await openPage(browser.context, monitor.page);
      await ready(page);
      await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 135);
      await page.keyboard.press('d');
      await page.waitForFunction(() => document.getElementById('details-body').textContent.includes('limit = mean'));
      const tables = await page.$$eval('#details-body table', (all) => all.map((one) => [...one.rows].map((cells) => [...cells.cells].map((cell) => cell.textContent))));
      const [, ...lines] = tables.find(([heads]) => heads[1] === 'pressure, rms');
      const read = (text) => Number(text.split(' ')[0].replaceAll('−', '-'));
      for (const [quantity, ...cells] of lines) {
        const wanted = [Math.sqrt(row[`${quantity}_pa2`]), row[`${quantity}_excess_pa2`], row[`${quantity}_hear_pa2`], row[`${quantity}_corrected_excess_pa2`]];
        // Three digits are shown.
        for (const [place, value] of wanted.entries()) assert.ok(Math.abs(read(cells[place]) - value) <= 0.0051 * Math.abs(value), `${quantity}: ${cells[place]}, not ${value}`);
      }
      assert.equal(lines.length, 4);
      const [own] = JSON.parse(await readFile(path.join(out, 'session.json'), 'utf8')).calibration.channels;
      const words = await page.$$eval('#details-body li', (all) => all.map((one) => one.textContent));
      assert.ok(words.includes(`Pressure, excess, what this pulse hears from: ${own.pascal.label}`), words.join('\n'));
      assert.ok(words.includes(`Excess, corrected for loss: ${own.corrected_pascal.label}`));
      assert.deepEqual(complaints, []);
      await page.close();
    } finally {
      assert.equal(await stop(monitor), 130, monitor.said.join('\n'));
    }
  });

  test('of two pages one sleeps: the other gets every pulse, and the daemon stays small', async () => {
    const demo = await start(['demo', '--seconds', '60', '--speed', '10', '--stay', '--listen', '127.0.0.1:0']);
    const memory = async () => Number(/VmRSS:\s+(\d+)/.exec(await readFile(`/proc/${demo.child.pid}/status`, 'utf8'))[1]) / 1024;
    try {
      const [asleep, awake] = [await openPage(browser.context, demo.page), await openPage(browser.context, demo.page)];
      await ready(asleep.page);
      await ready(awake.page);
      // A page whose script hangs reads nothing from its socket.
      const hang = asleep.page.evaluate(() => {
        const end = performance.now() + 5000;
        while (performance.now() < end);
      });
      await untilStatus(demo.page, (now) => now.pulses === 300);
      await awake.page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses === 300);
      assert.equal((await reportOf(awake.page)).entries >= 300, true);
      // 300 spectra of 2001 bins are 2.4 MB; what grew with a sleeping page would show.
      assert.ok((await memory()) < 200, `${await memory()} MB`);
      await hang;
      await asleep.page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().newest !== null);
      assert.deepEqual(awake.complaints, []);
      await asleep.page.close();
      await awake.page.close();
    } finally {
      await stop(demo);
    }
  });

  test('a replay is clearly not live', async () => {
    const out = path.join(folder, 'replayed');
    const replay = await start(['replay', '-c', 'demo-data/config.toml', '--speed', '4', '--listen', '127.0.0.1:0', '--out', out, 'demo-data/baseline.sigmf-meta', 'demo-data/exposure.sigmf-meta']);
    try {
      const { page } = await openPage(browser.context, replay.page);
      await ready(page);
      await until(page, 'live', 'no');
      assert.match(await page.textContent('body'), /REPLAY/);
      await page.close();
    } finally {
      await stop(replay);
    }
  });
});
