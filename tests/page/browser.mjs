// Chromium for tests and screenshots. SIMMER_CHROMIUM names another one than Debian's.

import { mkdtemp, rm } from 'node:fs/promises';
import os from 'node:os';
import path from 'node:path';

import { chromium } from 'playwright-core';

const FLAGS = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];

/** A browser with a profile of its own; `autoplay` lets sound start without a person's touch. */
export async function openBrowser({ autoplay = true } = {}) {
  const profile = await mkdtemp(path.join(os.tmpdir(), 'simmer-page-'));
  const context = await chromium.launchPersistentContext(profile, {
    executablePath: process.env.SIMMER_CHROMIUM ?? '/usr/bin/chromium',
    headless: true,
    args: [...FLAGS, `--autoplay-policy=${autoplay ? 'no-user-gesture-required' : 'document-user-activation-required'}`],
    viewport: { width: 1280, height: 800 },
  });
  return {
    context,
    async close() {
      await context.close();
      await rm(profile, { recursive: true, force: true });
    },
  };
}

/** Opens `url` and notes what the page asks for and complains about. */
export async function openPage(context, url, viewport = { width: 1280, height: 800 }) {
  const page = await context.newPage();
  await page.setViewportSize(viewport);
  const asked = [];
  const complaints = [];
  page.on('request', (request) => asked.push(request.url()));
  page.on('websocket', (socket) => asked.push(socket.url()));
  page.on('console', (message) => {
    if (message.type() === 'error' || message.type() === 'warning') complaints.push(message.text());
  });
  page.on('pageerror', (error) => complaints.push(String(error)));
  await page.goto(url);
  return { page, asked, complaints };
}

/** What the page reports of itself. */
export function reportOf(page) {
  return page.evaluate(async () => (await import(new URL('main.js', document.baseURI).href)).report());
}
