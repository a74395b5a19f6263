// Screenshots of every state at the two sizes the page is laid out for.
//
//   node shots.mjs [OUT-DIRECTORY] [STATE …]

import { mkdir } from 'node:fs/promises';
import path from 'node:path';

import { openBrowser, openPage } from './browser.mjs';
import { MockDaemon } from './mock.mjs';
import { SCENES } from './scenes.mjs';

const SIZES = [{ width: 1280, height: 800 }, { width: 1024, height: 600 }];
const [out = 'shots', ...wanted] = process.argv.slice(2);
const names = wanted.length > 0 ? wanted : [...Object.keys(SCENES), 'chosen', 'help', 'help_end', 'details', 'details_four', 'details_calibrated', 'details_calibrated_four', 'listen', 'established_rows', 'tuning_ultra', 'tuning_missing', 'tuning_use'];

/** What is done with the page after a scene is up. */
const THEN = {
  stale: async (page, daemon) => {
    daemon.beating = false;
    await page.waitForSelector('html[data-stale="yes"]');
    await page.waitForTimeout(1500);
  },
  chosen: async (page) => {
    for (let k = 0; k < 40; k += 1) await page.keyboard.press('ArrowDown');
    await page.keyboard.press('i');
    await page.waitForTimeout(500);
  },
  help: async (page) => page.keyboard.press('h'),
  help_end: async (page) => {
    await page.keyboard.press('h');
    await page.$eval('#help', (dialog) => dialog.scrollTo(0, dialog.scrollHeight));
  },
  details: async (page) => page.keyboard.press('d'),
  details_four: async (page) => page.keyboard.press('d'),
  details_calibrated: async (page) => detail(page),
  details_calibrated_four: async (page) => detail(page),
  listen: async (page) => {
    await page.keyboard.press('l');
    await page.keyboard.type('0.1');
    await page.keyboard.press('Enter');
    await page.waitForSelector('#listen-answer li');
  },
  tuning: async (page) => tune(page),
  tuning_ultra: async (page) => {
    await tune(page);
    await page.check('#tuning-ultraharmonic', { force: true });
    await page.selectOption('#tuning-session', '2024-03-12-b');
    await page.waitForFunction(() => document.querySelectorAll('#tuning-rows tr').length > 0);
    await page.waitForTimeout(200);
  },
  tuning_missing: async (page) => {
    await tune(page);
    await page.selectOption('#tuning-session', '2024-03-12-a');
    await page.waitForFunction(() => document.getElementById('tuning-fault').textContent !== '');
  },
  tuning_worst: async (page) => tune(page),
  tuning_use: async (page) => {
    await tune(page);
    await page.keyboard.press('PageUp');
    await page.click('#tuning-use');
  },
  established_rows: async (page) => {
    for (let k = 0; k < 9; k += 1) await page.keyboard.press('+');
    for (let k = 0; k < 70; k += 1) await page.keyboard.press('ArrowDown');
    await page.waitForTimeout(300);
  },
};
async function detail(page) {
  await page.keyboard.press('d');
  await page.waitForFunction(() => document.getElementById('details-body').textContent.includes('limit = mean'));
}
async function tune(page) {
  await page.keyboard.press('t');
  await page.waitForFunction(() => document.querySelectorAll('#tuning-rows tr').length > 0);
  await page.waitForTimeout(200);
}
const SCENE_OF = { tuning_ultra: 'tuning', tuning_missing: 'tuning', tuning_use: 'tuning', chosen: 'pulses_300', help: 'stable', help_end: 'stable', details: 'established', details_four: 'established_four', details_calibrated: 'calibrated', details_calibrated_four: 'calibrated_four', listen: 'together', established_rows: 'established' };

await mkdir(out, { recursive: true });
const browser = await openBrowser();
for (const name of names) {
  const daemon = new MockDaemon();
  SCENES[SCENE_OF[name] ?? name](daemon);
  const url = await daemon.listen();
  for (const size of SIZES) {
    const { page, complaints } = await openPage(browser.context, url, size);
    await page.waitForFunction(() => document.documentElement.dataset.link === 'up');
    await page.waitForFunction((words) => document.getElementById('sentence').textContent === words, daemon.status.now.sentence);
    await page.waitForTimeout(1200);
    await THEN[name]?.(page, daemon);
    const file = path.join(out, `${name}_${size.width}x${size.height}.png`);
    await page.screenshot({ path: file });
    process.stdout.write(`${file}${complaints.length > 0 ? ` complained: ${complaints.join(' | ')}` : ''}\n`);
    daemon.beating = true;
    await page.close();
  }
  await daemon.close();
}
await browser.close();
