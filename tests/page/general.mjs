// What must hold of the page whatever daemon serves it: the mock or `simmer monitor` itself.

import assert from 'node:assert/strict';

import { openPage, reportOf } from './browser.mjs';

const TEXT_SIZES = { '#word': 64, '#hearing-value': 48, '#margin': 40, '#banner-word': [40, 20], '#drive': 32, '#target': 32, '#pulse': 32, '#injection': 28 };

/** Whether the page is connected and has had a beat. */
export function ready(page) {
  return page.waitForFunction(() => document.documentElement.dataset.link === 'up' && document.getElementById('caution').textContent !== '');
}

/** Text smaller than 14 px, wherever it stands. */
export function smallTexts(page) {
  return page.evaluate(() => [...document.querySelectorAll('body *')].filter((element) => [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim() !== '')).filter((element) => Number.parseFloat(getComputedStyle(element).fontSize) < 14).map((element) => element.outerHTML.slice(0, 80)));
}

/** Things of the fixed part that stick out of the window, overlap, or are cut. */
export function misfits(page) {
  return page.evaluate(() => {
    const found = [];
    const visible = (element) => element.getClientRects().length > 0;
    const whole = ['#word', '#hearing-value', '#margin', '#drive', '#target', '#pulse', '#stage', '#injection', '#go-word', '#dose-harmonic', '#dose-ultraharmonic', '#dose-subharmonic', '#dose-broadband', '#no-stop', '#sound', '#drive-label', '#sentence', '#together', '#established-word', '#established-list li:first-child', '#established-count', '#strip-title'];
    for (const name of whole) {
      const element = document.querySelector(name);
      if (element === null || !visible(element)) continue;
      if (element.scrollWidth > element.clientWidth + 1 && getComputedStyle(element).display !== 'inline') found.push(`${name} is cut: ${element.textContent}`);
      const box = element.getBoundingClientRect();
      if (box.right > innerWidth || box.bottom > innerHeight || box.left < 0 || box.top < 0) found.push(`${name} is outside`);
    }
    const blocks = ['#strip', '#state', '#established', '#first', '#second', '#third', '#acts', '#work', '#caution'].filter((name) => visible(document.querySelector(name))).map((name) => [name, document.querySelector(name).getBoundingClientRect()]);
    for (let at = 1; at < blocks.length; at += 1) if (blocks[at][1].top < blocks[at - 1][1].bottom - 1) found.push(`${blocks[at][0]} lies over ${blocks[at - 1][0]}`);
    for (const button of document.querySelectorAll('#acts button, #strip button, #acknowledge, #listen')) {
      const box = button.getBoundingClientRect();
      if (visible(button) && (box.right > innerWidth || button.scrollWidth > button.clientWidth + 1)) found.push(`button ${button.textContent} is cut`);
    }
    const hidden = document.documentElement.scrollHeight > innerHeight || document.documentElement.scrollWidth > innerWidth;
    if (hidden) found.push('the page scrolls');
    return found;
  });
}

/** The checks, each `[name, async (context, url) => …]`. */
export const GENERAL = [
  ['nothing is asked from anywhere else and nothing complains', async (context, url) => {
    const { page, asked, complaints } = await openPage(context, url);
    await ready(page);
    await page.waitForTimeout(600);
    const origin = new URL(url).host;
    assert.ok(asked.length > 5);
    for (const address of asked) assert.equal(new URL(address).host, origin, address);
    assert.deepEqual(complaints, []);
    await page.close();
  }],
  ['the fixed part has the sizes that are read from two metres', async (context, url) => {
    const { page } = await openPage(context, url);
    await ready(page);
    for (const [name, wanted] of Object.entries(TEXT_SIZES)) {
      const px = await page.$eval(name, (element) => Number.parseFloat(getComputedStyle(element).fontSize));
      assert.ok([wanted].flat().includes(px), `${name}: ${px} px`);
    }
    assert.deepEqual(await smallTexts(page), []);
    await page.close();
  }],
  ['the page says that it does not stop the drive, and the caution', async (context, url) => {
    const { page } = await openPage(context, url);
    await ready(page);
    assert.equal(await page.textContent('#no-stop'), 'This page does not stop the drive.');
    assert.ok(await page.isVisible('#no-stop'));
    assert.match(await page.textContent('#caution'), /Research use only/);
    await page.close();
  }],
  ['pulses arrive in the list', async (context, url) => {
    const { page } = await openPage(context, url);
    await ready(page);
    await page.waitForFunction(async () => (await import(new URL('main.js', document.baseURI).href)).report().pulses > 0, undefined, { timeout: 15000 });
    assert.ok((await reportOf(page)).entries > 0);
    await page.close();
  }],
  ['help opens and closes by key and says what verdicts do not mean', async (context, url) => {
    const { page } = await openPage(context, url);
    await ready(page);
    await page.keyboard.press('h');
    assert.ok(await page.isVisible('#help'));
    const words = await page.textContent('#help');
    for (const part of ['a little more often', 'needs 9 dB more in one pulse, about 1 dB more when all pulses count and the baseline has 60 pulses, more with fewer', 'change of net power', 'random phase can stay unheard', 'Dots: not in one pulse alone', 'fluctuate', 'propagation', 'cancel a subharmonic', 'not an interlock', 'acknowledge']) assert.ok(words.includes(part), part);
    await page.keyboard.press('Escape');
    assert.ok(!(await page.isVisible('#help')));
    await page.close();
  }],
  ['every button is reached by Tab and shows the focus', async (context, url) => {
    const { page } = await openPage(context, url);
    await ready(page);
    const wanted = await page.$$eval('button[data-act]', (buttons) => buttons.filter((one) => !one.disabled && one.getClientRects().length > 0).map((one) => one.dataset.act));
    const reached = new Set();
    for (let step = 0; step < wanted.length + 8; step += 1) {
      await page.keyboard.press('Tab');
      const at = await page.evaluate(() => {
        const element = document.activeElement;
        const style = getComputedStyle(element);
        return { act: element.dataset?.act ?? element.id, outline: `${style.outlineStyle} ${style.outlineWidth}` };
      });
      if (at.act) assert.equal(at.outline, 'solid 3px', at.act);
      reached.add(at.act);
    }
    for (const act of [...wanted, 'rows']) assert.ok(reached.has(act), act);
    await page.close();
  }],
];
