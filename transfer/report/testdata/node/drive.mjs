// drive.mjs PAGE SHOTS STEPS: opens the page from disk in headless Chromium and
// runs the JSON list of steps; prints one JSON object: what each step gave, what
// the console and the network saw. Pictures go to the folder SHOTS.
import { readFileSync, existsSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

const [page, shots, stepFile] = process.argv.slice(2);
const executablePath = process.env.SELVAGE_CHROMIUM || ['/usr/bin/chromium', '/usr/bin/chromium-browser', '/usr/bin/google-chrome'].find((p) => existsSync(p));
if (!executablePath) throw new Error('no Chromium found: install the package chromium, or name one in SELVAGE_CHROMIUM');
const browser = await chromium.launch({
  executablePath,
  args: ['--headless', '--no-sandbox', '--disable-gpu', '--disable-background-networking', '--use-angle=swiftshader', '--enable-unsafe-swiftshader'],
});
const out = { results: [], console: [], errors: [], requests: [] };
try {
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 }, deviceScaleFactor: 1, hasTouch: true });
  const tab = await context.newPage();
  tab.setDefaultTimeout(10000);
  tab.on('console', (m) => { if (['error', 'warning'].includes(m.type())) out.console.push(`${m.type()}: ${m.text()}`); });
  tab.on('pageerror', (e) => out.errors.push(String(e)));
  tab.on('request', (r) => out.requests.push(r.url().slice(0, 80)));
  tab.on('dialog', (d) => { out.errors.push(`dialog: ${d.message()}`); d.dismiss(); });
  const began = performance.now();
  await tab.goto(pathToFileURL(page).href);
  const steps = JSON.parse(readFileSync(stepFile, 'utf8'));
  // Polled from outside: the page's own policy forbids it to evaluate anything.
  for (const until = Date.now() + 60000; !(await tab.evaluate('!!globalThis.reportProbe')) && out.errors.length + out.console.length === 0;) {
    if (Date.now() > until) throw new Error(`the view was not ready in time: ${out.console.join('; ')}`);
    await new Promise((r) => setTimeout(r, 20));
  }
  out.loadMilliseconds = performance.now() - began;
  for (const s of steps) {
    const canvas = tab.locator('#canvas');
    let r = null;
    switch (s.do) {
      case 'evaluate': r = await tab.evaluate(s.script); break;
      case 'select': await tab.selectOption(s.id, s.value); break;
      case 'check': await tab.setChecked(s.id, s.on ?? true); break;
      case 'fill': await tab.fill(s.id, String(s.value)); break;
      case 'click': await tab.click(s.id); break;
      case 'press': await tab.locator(s.id).press(s.key); break;
      case 'text': r = await tab.locator(s.id).innerText(); break;
      case 'clickCanvas': await canvas.click({ position: { x: s.at[0], y: s.at[1] } }); break;
      case 'tapCanvas': await canvas.tap({ position: { x: s.at[0], y: s.at[1] } }); break;
      case 'clickVertex':
      case 'tapVertex': {
        const [x, y] = await tab.evaluate(`reportProbe.screen(${s.figure}, ${s.vertex})`);
        await (s.do === 'tapVertex' ? canvas.tap({ position: { x, y } }) : canvas.click({ position: { x, y } }));
        break;
      }
      case 'drag': {
        // Frames a second while the mouse drags, from the first to where the last is done.
        await canvas.scrollIntoViewIfNeeded();
        const box = await canvas.boundingBox();
        const drawn = async () => (await tab.evaluate('reportProbe.drawn()')).frames;
        await tab.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
        await tab.mouse.down();
        const before = await drawn(), start = performance.now();
        for (let k = 1; performance.now() - start < 1000 * s.seconds; k++) {
          await tab.mouse.move(box.x + box.width / 2 + 100 * Math.sin(k / 10), box.y + box.height / 2);
        }
        const frames = await drawn() - before;
        await tab.evaluate('reportProbe.finish()');
        r = (1000 * frames) / (performance.now() - start);
        await tab.mouse.up();
        break;
      }
      case 'shot': await tab.screenshot({ path: join(shots, s.file), fullPage: !!s.full }); break;
      case 'shotCanvas': await canvas.screenshot({ path: join(shots, s.file) }); break;
      case 'viewport': await tab.setViewportSize({ width: s.width, height: s.height }); break;
      case 'axe': {
        // By the debugger's protocol, which the page's own policy does not bind.
        await tab.evaluate(readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8'));
        const found = await tab.evaluate('axe.run()');
        r = { passes: found.passes.length, violations: found.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.map((n) => n.target).join(' ')}`) };
        break;
      }
      default: throw new Error(`unknown step ${s.do}`);
    }
    out.results.push(r);
  }
} catch (error) {
  out.errors.push(`driving the page: ${error}`);
} finally {
  await browser.close();
}
console.log(JSON.stringify(out));
