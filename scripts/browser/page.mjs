// What every check of a page in a browser needs: the browser, the accessibility check, and a count of what was found.

import { chromium } from "playwright-core";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

export const problems = [];
let checks = 0;

export function expect(holds, what) {
  checks += 1;
  if (!holds) problems.push(what);
}

export const launch = () => chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});

// Nothing that axe-core finds against WCAG 2.2 A and AA or its own best practice; and no sideways scrolling.
export async function accessible(page, at) {
  await page.evaluate(axe);
  const result = await page.evaluate(() => axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }));
  for (const v of result.violations) {
    const where = v.nodes.slice(0, 3).map((n) => n.target.join(" ")).join("; ");
    problems.push(`${at}: ${v.impact}: ${v.help} (${v.id}) at ${where}`);
  }
  expect(10 < result.passes.length, `${at}: the accessibility check checked nearly nothing`);
  const [scroll, client] = await page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]);
  expect(scroll <= client, `${at}: scrolls sideways (${scroll} in ${client})`);
}

export function conclude(what) {
  for (const problem of problems) console.log(`problem: ${problem}`);
  console.log(`${checks} checks of ${what}, ${problems.length} problems`);
  process.exit(problems.length === 0 && 0 < checks ? 0 : 1);
}
