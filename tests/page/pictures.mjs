// The README's pictures: the page over `simmer demo`, at the two sizes it is laid out for.
//
//   cargo build --release && npm ci --prefix tests/page && node tests/page/pictures.mjs [OUT-DIRECTORY]

import { spawn } from 'node:child_process';
import { mkdir } from 'node:fs/promises';
import path from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

import { openBrowser, openPage } from './browser.mjs';

const here = path.dirname(fileURLToPath(import.meta.url));
const binary = process.env.SIMMER_BIN ?? path.join(here, '../../target/release/simmer');
const out = process.argv[2] ?? path.join(here, 'pictures');

/** The pulse of the 60 s scene at which each picture is taken. */
const MOMENTS = [
  ['baseline', 133],
  ['not_detected', 216],
  ['stable', 258],
  ['inertial', 275],
  ['not_hearing', 291],
];
const SIZES = [{ width: 1280, height: 800 }, { width: 1024, height: 600 }];

await mkdir(out, { recursive: true });
const demo = spawn(binary, ['demo', '--seconds', '60', '--speed', '2', '--listen', '127.0.0.1:0', '--stay', '--web-dir', path.join(here, '../../web')], {
  stdio: ['ignore', 'ignore', 'pipe'],
});
const lines = createInterface({ input: demo.stderr });
const url = await new Promise((resolve, reject) => {
  lines.on('line', (line) => {
    const found = /^page on (\S+)$/.exec(line);
    if (found) resolve(found[1]);
  });
  demo.on('exit', (code) => reject(new Error(`simmer demo ended with ${code}`)));
});
const browser = await openBrowser();
try {
  const pages = await Promise.all(SIZES.map((size) => openPage(browser.context, url, size)));
  for (const [name, pulse] of MOMENTS) {
    for (;;) {
      const status = await (await fetch(new URL('api/v1/status', url))).json();
      if (status.last_pulse >= pulse) break;
      await new Promise((resolve) => setTimeout(resolve, 10));
    }
    for (const [k, { page }] of pages.entries()) {
      await page.bringToFront();
      const file = path.join(out, `${name}_${SIZES[k].width}x${SIZES[k].height}.png`);
      await page.screenshot({ path: file });
      process.stdout.write(`${file}\n`);
    }
  }
  // With what the whole scene recorded, limits can be tried.
  for (const [k, { page }] of pages.entries()) {
    await page.bringToFront();
    await page.keyboard.press('t');
    await page.waitForSelector('#tuning-rows tr');
    const file = path.join(out, `tuning_${SIZES[k].width}x${SIZES[k].height}.png`);
    await page.screenshot({ path: file });
    process.stdout.write(`${file}\n`);
  }
  for (const { complaints } of pages) {
    if (complaints.length > 0) throw new Error(complaints.join('\n'));
  }
} finally {
  await browser.close();
  demo.removeAllListeners('exit');
  demo.kill('SIGINT');
}
