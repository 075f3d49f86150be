// Opens each page of a folder in Chromium and looks for what a reader would stumble over.
// usage: node check.mjs PAGES_DIR SCREENSHOTS_DIR
//
// For each page, at phone, desk and wide-desk width: nothing serious by axe-core (WCAG 2.2 A and AA), no sideways
// scrolling, no label of a picture cut off or over another, nothing loaded, no error. Then: the same words with
// scripts off, and what stands on the printed sheets. Screenshots are left to be looked at.

import { readdirSync, mkdirSync } from "node:fs";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { accessible, conclude, expect, launch, problems } from "./page.mjs";
import { judge, papers, print, wordsOnPaper } from "./paper.mjs";

const [pagesDir, shotsDir] = process.argv.slice(2).map((p) => resolve(p));
const widths = [390, 1280, 1440];

// Labels of visible pictures that leave their picture or overlap, as the browser's own font sets them.
function labelTrouble() {
  const found = [];
  for (const svg of document.querySelectorAll("figure svg")) {
    const frame = svg.getBoundingClientRect();
    if (frame.width === 0) continue;
    const labels = [...svg.querySelectorAll("text")].filter((t) => t.getClientRects().length).map((t) => [t.textContent.trim(), t.getBoundingClientRect()]);
    labels.forEach(([text, a], i) => {
      if (a.left < frame.left - 1 || frame.right + 1 < a.right || a.top < frame.top - 1 || frame.bottom + 1 < a.bottom) {
        found.push(`“${text}” is cut off`);
      }
      for (const [other, b] of labels.slice(i + 1)) {
        const x = Math.min(a.right, b.right) - Math.max(a.left, b.left);
        const y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        if (1 < x && a.height * 0.35 < y) found.push(`“${text}” lies over “${other}”`);
      }
    });
  }
  return found;
}

// The closer look: the drawn picture itself is zoomed by buttons, keys and pointer, without labels in each other's way.
async function explore(page, at) {
  const chart = page.locator("#explore .chart");
  if (!(await chart.count())) return;
  const picture = async () => page.evaluate(() => [...document.querySelectorAll("#explore svg")].find((s) => s.getBoundingClientRect().width).outerHTML);
  const whole = await picture();
  await page.getByRole("button", { name: "Zoom in" }).click();
  expect((await picture()) !== whole, `${at}: zooming changes nothing`);
  for (const text of await page.evaluate(labelTrouble)) problems.push(`${at}, zoomed: ${text}`);
  await chart.focus();
  await page.keyboard.press("ArrowRight");
  const read = await page.locator("#explore .readout").innerText();
  expect(/mmHg|no pressure/.test(read) && /mL\/h|no rate/.test(read), `${at}: the cursor says “${read}”`);
  await page.getByRole("button", { name: "Later" }).click();
  await page.getByRole("button", { name: "Zoom in" }).click();
  for (const text of await page.evaluate(labelTrouble)) problems.push(`${at}, zoomed twice: ${text}`);
  await page.screenshot({ path: join(shotsDir, `${at.replace(/ at | px/g, "-")}closer.png`) });
  const drawn = await picture();
  await page.evaluate(() => document.querySelector("#explore").scrollIntoView());
  const box = await page.locator("#explore svg:visible").boundingBox();
  const y = box.y + Math.min(box.height / 2, 300);
  await page.mouse.move(box.x + box.width * 0.4, y);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width * 0.6, y, { steps: 3 });
  await page.mouse.up();
  expect((await picture()) !== drawn, `${at}: a drag across the picture changes nothing`);
  await chart.focus();
  await page.keyboard.press("Home");
  await page.evaluate(() => document.querySelectorAll("#explore svg > line").forEach((l) => l.setAttribute("display", "none")));
  const labels = (html) => html.replace(/<line [^]*$/, "");
  expect(labels(await picture()) === labels(whole), `${at}: the whole record is not what was drawn at first`);
}

const words = () => document.body.innerText.replace(/\s+/g, " ");

const browser = await launch();
mkdirSync(shotsDir, { recursive: true });
for (const file of readdirSync(pagesDir).filter((f) => f.endsWith(".html")).sort()) {
  const name = file.replace(/\.html$/, "");
  const url = pathToFileURL(join(pagesDir, file)).href;
  let withScripts = "";
  for (const width of widths) {
    const page = await browser.newPage({ viewport: { width, height: 900 } });
    page.setDefaultTimeout(120000); // a busy machine
    const at = `${name} at ${width} px`;
    page.on("pageerror", (e) => problems.push(`${at}: ${e.message}`));
    page.on("dialog", (d) => { problems.push(`${at}: a dialog opened`); d.dismiss(); });
    page.on("request", (r) => { if (r.url() !== url && !r.url().startsWith("data:")) problems.push(`${at}: loads ${r.url()}`); });
    await page.goto(url);
    await accessible(page, at);
    for (const text of await page.evaluate(labelTrouble)) problems.push(`${at}: ${text}`);
    if (width === 1280) withScripts = await page.evaluate(words);
    await page.screenshot({ path: join(shotsDir, `${name}-${width}.png`), fullPage: true });
    await explore(page, at);
    await page.close();
  }
  const quiet = await browser.newContext({ javaScriptEnabled: false, viewport: { width: 1280, height: 900 } });
  const page = await quiet.newPage();
  await page.goto(url);
  const answer = (await page.locator("h1").innerText()).replace(/\s+/g, " ");
  expect(20 < answer.length, `${name}: no answer with scripts off`);
  expect(withScripts.includes(answer), `${name}: the answer differs with scripts off`);
  expect(0 < (await page.locator("figure svg:visible").count()), `${name}: no picture with scripts off`);
  const said = await wordsOnPaper(page);
  for (const format of papers) judge(await print(page, shotsDir, name, format), said, `${name} on ${format}`);
  await quiet.close();
  console.log(`looked at ${name}`);
}
await browser.close();
conclude("pages in a browser");
